"""Paper: a page printed by the browser, and which of its pictures a page break cuts."""

import io

# A mark above and one below every picture; both must come out on the same sheet.
MARK = """() => { let n = 0; document.querySelectorAll("figure").forEach(f => {
  const s = [...f.querySelectorAll("svg")].filter(v => v.getAttribute("role") === "img"
    && v.getClientRects().length).pop();
  if (!s) return;
  [["beforebegin", "Qa"], ["afterend", "Qz"]].forEach(([place, mark]) => {
    const t = document.createElement("i"); t.textContent = mark + n + "Q";
    t.style.cssText = "font-size:4px;line-height:0;display:block;height:0";
    s.insertAdjacentElement(place, t); });
  n++; }); return n; }"""


def print_marked(page, paper):
    """Print a page; gives the text of each sheet, and the sheets of each picture's two ends."""
    import pypdfium2

    page.emulate_media(media="print")
    count = page.evaluate(MARK)
    document = pypdfium2.PdfDocument(io.BytesIO(page.pdf(format=paper)))
    texts = [sheet.get_textpage().get_text_range().replace("\r\n", " ") for sheet in document]
    ends = [
        tuple(next(k for k, t in enumerate(texts) if f"{mark}{n}Q" in t) for mark in ("Qa", "Qz"))
        for n in range(count)
    ]
    return texts, ends


def read_colours(page):
    """Give the colours of a page's variables as (red, green, blue), 0 to 255, by name."""
    return page.evaluate(
        """() => { const out = {}, t = document.createElement("i"); document.body.append(t);
        for (const n of ["paper", "ink", "soft", "good", "suspect", "band"]) {
          t.style.color = `var(--${n})`;
          out[n] = getComputedStyle(t).color.match(/\\d+/g).slice(0, 3).map(Number); }
        t.remove(); return out; }"""
    )


def compute_luminance(colour):
    """Give the relative luminance of a colour (WCAG 2.2, definition; from memory)."""
    parts = [c / 255 for c in colour]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def compute_contrast(one, other):
    """Give the contrast of two colours, 1 to 21 (WCAG 2.2, definition; from memory)."""
    low, high = sorted(map(compute_luminance, (one, other)))
    return (high + 0.05) / (low + 0.05)


# Texts of a picture that lie outside of it, and pairs that lie on one another.
CLASH = """() => { const bad = []; document.querySelectorAll("svg[role=img]").forEach(s => {
  if (!s.getClientRects().length) return;
  const f = s.getBoundingClientRect(), k = f.width / (s.viewBox.baseVal.width || f.width);
  const t = [...s.querySelectorAll("text")].map(e => [e.textContent, e.getBoundingClientRect()])
    .filter(x => x[1].width);
  t.forEach(([words, r], i) => {
    if (Math.min(r.left - f.left, f.right - r.right, r.top - f.top, f.bottom - r.bottom) < -2)
      bad.push(["outside", words]);
    t.slice(i + 1).forEach(([others, o]) => {
      const across = Math.min(r.right, o.right) - Math.max(r.left, o.left);
      const down = Math.min(r.bottom, o.bottom) - Math.max(r.top, o.top);
      if (across > 1.5 && down > 3.5 * k) bad.push([words, others]); }); }); });
  return bad; }"""


def find_clashes(page):
    """Find words in a page's pictures that are cut off or lie on other words.

    The boxes of letters hold their accents and descents, so a few units of height may overlap.
    """
    return page.evaluate(CLASH)
