(function () {
  "use strict";
  const root = document.documentElement, PAGE = 100;
  const get = function (id) { return document.getElementById(id); };
  const data = JSON.parse(get("data").textContent), texts = data.texts;
  const rows = data.vehicles, keys = data.keys, at = {};
  keys.forEach(function (k, i) { at[k] = i; });
  const body = get("rows"), count = get("count");
  const index = rows.map(function (v) {
    const names = v[at.recordings].map(function (r) { return r[0]; }).join(" ");
    return [v[at.id], v[at.note], v[at.reason], v[at.failure], names].join(" ").toLowerCase();
  });
  let shown = rows.map(function (_, i) { return i; }), page = 0, sortKey = "rank", down = false;
  const collator = new Intl.Collator("en", { numeric: true, sensitivity: "base" });

  function make(tag, text, css) {
    const e = document.createElement(tag);
    if (text !== undefined && text !== null) e.textContent = text;
    if (css) e.className = css;
    return e;
  }
  function certainty(x) { return x !== null && x > 0.99 && x < 1 ? "over 99\u00a0%" : percent(x); }
  function percent(x) {
    if (x === null) return "–";
    const p = 100 * x;
    return (p === 0 || p >= 9.95 ? p.toFixed(0) : p >= 0.95 ? p.toFixed(1) : p.toFixed(2)) + "\u00a0%";
  }
  function link(place, words) {
    const a = make("a", words);
    a.href = place;
    return a;
  }
  function filter() {
    const words = get("find").value.toLowerCase().split(/\s+/).filter(Boolean);
    const kind = get("by-class").value, verdict = get("by-verdict").value, fault = get("by-fault").value;
    const wear = get("by-drift").checked, several = get("by-history").checked;
    shown = [];
    for (let i = 0; i < rows.length; i++) {
      const v = rows[i];
      if (kind && v[at.urgency] !== kind) continue;
      if (verdict && v[at.verdict] !== verdict) continue;
      if (fault && v[at.fault] !== fault) continue;
      if (wear && !v[at.trends].length) continue;
      if (several && v[at.recordings].length < 2) continue;
      if (words.length && !words.every(function (w) { return index[i].includes(w); })) continue;
      shown.push(i);
    }
    order();
  }
  function order() {
    const k = at[sortKey], sign = down ? -1 : 1;
    shown.sort(function (a, b) {
      let x = rows[a][k], y = rows[b][k];
      if (sortKey === "recordings") { x = x.length; y = y.length; }
      if (sortKey === "urgency") { x = data.classes.indexOf(x); y = data.classes.indexOf(y); }
      if (sortKey === "cylinders") { x = x.join(); y = y.join(); }
      if (x === y) return a - b;
      if (x === null || x === "") return 1;
      if (y === null || y === "") return -1;
      return sign * (typeof x === "number" ? x - y : collator.compare(x, y)) || a - b;
    });
    page = 0;
    draw();
  }
  function draw() {
    const part = document.createDocumentFragment(), start = page * PAGE;
    shown.slice(start, start + PAGE).forEach(function (i) { part.appendChild(drawRow(rows[i])); });
    body.replaceChildren(part);
    const last = Math.max(1, Math.ceil(shown.length / PAGE));
    count.textContent = shown.length === rows.length ? rows.length + " vehicles" :
      shown.length + " of " + rows.length + " vehicles";
    get("page").textContent = "page " + (page + 1) + " of " + last;
    get("back").disabled = page === 0;
    get("next").disabled = page >= last - 1;
    get("pager").classList.toggle("off", last === 1);
    document.querySelectorAll("#fleet th[data-key]").forEach(function (th) {
      if (th.dataset.key === sortKey) th.setAttribute("aria-sort", down ? "descending" : "ascending");
      else th.removeAttribute("aria-sort");
    });
  }
  function drawRow(v) {
    const tr = make("tr", null, v[at.urgency]), mark = make("td"), id = make("th", null, "id");
    tr.append(make("td", v[at.rank], "n"));
    mark.append(make("span", v[at.urgency], "class"));
    id.scope = "row";
    id.append(link(v[at.report], v[at.id]));
    function cellOf(text, css, label) {
      const td = make("td", text, css);
      if (label && text !== "") td.dataset.label = label; // its name where rows are shown as cards
      return td;
    }
    tr.append(mark, id, cellOf(v[at.verdict].replace("_", " "), "verdict"),
      cellOf(v[at.cylinders].join(", "), "", "cylinder"), cellOf(v[at.failure], "fault"),
      cellOf(certainty(v[at.certainty]), "n", "probability"), cellOf(percent(v[at.short]), "n", "lost / 200"),
      cellOf(percent(v[at.long]), "n", "lost / 1000"), cellOf(v[at.recordings].length, "n", "recordings"),
      cellOf(v[at.reason], "why"));
    const cell = make("td", null, "details"), button = make("button", "+", "open");
    button.type = "button";
    button.setAttribute("aria-expanded", "false");
    button.setAttribute("aria-label", "Details of " + v[at.id]);
    button.addEventListener("click", function () {
      const open = button.getAttribute("aria-expanded") === "true";
      button.setAttribute("aria-expanded", String(!open));
      button.textContent = open ? "+" : "−";
      if (open) tr.nextElementSibling.remove();
      else tr.after(drawMore(v));
    });
    cell.append(button);
    tr.append(cell);
    return tr;
  }
  function list(title, tag, items) {
    const part = document.createDocumentFragment(), made = make(tag);
    if (!items.length) return part;
    items.forEach(function (i) { made.append(make("li", texts[i])); });
    part.append(make("h3", title), made);
    return part;
  }
  function drawMore(v) {
    const tr = make("tr", null, "more"), td = make("td"), past = make("div", null, "past");
    td.colSpan = 12;
    if (v[at.note]) td.append(make("p", v[at.note]));
    td.append(list("Evidence", "ul", v[at.evidence]), list("Next tests", "ol", v[at.tests]));
    td.append(list("Notes", "ul", v[at.notes]), list("Quality of the recording", "ul", v[at.quality]));
    v[at.trends].forEach(function (t) { td.append(make("h3", "Wear"), make("p", t[0]), spark(t)); });
    td.append(make("h3", "Recordings, in the order of " + v[at.ordered]));
    v[at.recordings].forEach(function (r) {
      const words = [r[2].replace("_", " "), r[3].length ? "cylinder " + r[3].join(", ") : "",
        r[4] === null ? "" : percent(r[4]) + " lost in the worst 200 revolutions", r[1] || "",
        r[6] ? "" : "earlier visit", r[7] ? "no longer in the folder" : ""];
      past.append(link(r[5], r[0]), make("span", words.filter(Boolean).join("; ")));
    });
    td.append(past);
    tr.append(td);
    return tr;
  }
  function spark(t) {
    const ns = "http://www.w3.org/2000/svg", svg = document.createElementNS(ns, "svg");
    const xs = t[1], ys = t[2], limit = t[3], low = Math.min(limit, ...ys), high = Math.max(limit, ...ys);
    const x0 = xs[0], dx = xs[xs.length - 1] - x0 || 1, dy = high - low || 1;
    const X = function (x) { return 4 + 292 * (x - x0) / dx; };
    const Y = function (y) { return 56 - 52 * (y - low) / dy; };
    const path = function (css, d) {
      const p = document.createElementNS(ns, "path");
      p.setAttribute("class", css); p.setAttribute("d", d); svg.append(p);
    };
    svg.setAttribute("viewBox", "0 0 300 60"); svg.setAttribute("class", "spark");
    svg.setAttribute("role", "img"); svg.setAttribute("aria-label", t[0]);
    path("zero", "M4 " + Y(limit) + "H296");
    path("hits", xs.map(function (x, i) { return (i ? "L" : "M") + X(x) + " " + Y(ys[i]); }).join(""));
    return svg;
  }
  document.querySelectorAll("#fleet th[data-key]").forEach(function (th) {
    const button = make("button", th.textContent);
    button.type = "button";
    button.addEventListener("click", function () {
      const key = th.dataset.key, most = ["certainty", "short", "long", "recordings"].includes(key);
      down = key === sortKey ? !down : most;
      sortKey = key;
      order();
    });
    th.replaceChildren(button);
  });
  get("filters").classList.remove("off");
  get("filters").addEventListener("submit", function (e) { e.preventDefault(); });
  get("filters").addEventListener("reset", function () { setTimeout(filter, 0); });
  ["find", "by-class", "by-verdict", "by-fault", "by-drift", "by-history"].forEach(function (id) {
    get(id).addEventListener("input", filter);
  });
  get("back").addEventListener("click", function () { page--; draw(); get("vehicles").scrollIntoView(); });
  get("next").addEventListener("click", function () { page++; draw(); get("vehicles").scrollIntoView(); });
  draw();
  root.dataset.ready = String(rows.length);
})();
