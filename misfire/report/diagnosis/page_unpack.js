  // Reading what the page holds: base64, compressed arrays (RFC 1951), 16-bit words.
  const root = document.documentElement;
  window.addEventListener("error", function (e) { root.dataset.scriptError = e.message; });

  function bytes(text) {
    const raw = atob(text), out = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
    return out;
  }
  function words(b) {
    const view = new DataView(b.buffer), out = new Uint16Array(b.length / 2);
    for (let i = 0; i < out.length; i++) out[i] = view.getUint16(2 * i, true);
    return out;
  }
  function longs(b) {
    const view = new DataView(b.buffer), out = new Int32Array(b.length / 4);
    for (let i = 0; i < out.length; i++) out[i] = view.getInt32(4 * i, true);
    return out;
  }

  function makeTable(lengths) {
    const count = new Uint16Array(16), place = new Uint16Array(16), symbols = new Uint16Array(lengths.length);
    for (let i = 0; i < lengths.length; i++) count[lengths[i]]++;
    count[0] = 0;
    for (let n = 1; n < 15; n++) place[n + 1] = place[n] + count[n];
    for (let i = 0; i < lengths.length; i++) if (lengths[i]) symbols[place[lengths[i]]++] = i;
    return { count: count, symbols: symbols };
  }
  const LENGTH = [3, 4, 5, 6, 7, 8, 9, 10, 11, 13, 15, 17, 19, 23, 27, 31, 35, 43, 51, 59, 67, 83, 99, 115, 131,
    163, 195, 227, 258];
  const LENGTH_BITS = [0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 4, 4, 4, 4, 5, 5, 5, 5, 0];
  const BACK = [1, 2, 3, 4, 5, 7, 9, 13, 17, 25, 33, 49, 65, 97, 129, 193, 257, 385, 513, 769, 1025, 1537, 2049,
    3073, 4097, 6145, 8193, 12289, 16385, 24577];
  const ORDER = [16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15];

  function inflate(input, size) {
    const out = new Uint8Array(size);
    let at = 0, from = 0, hold = 0, have = 0;
    function bits(n) {
      while (have < n) { hold |= input[from++] << have; have += 8; }
      const v = hold & ((1 << n) - 1);
      hold >>>= n; have -= n;
      return v;
    }
    function symbol(table) {
      let code = 0, first = 0, index = 0;
      for (let n = 1; n < 16; n++) {
        code |= bits(1);
        const count = table.count[n];
        if (code - first < count) return table.symbols[index + code - first];
        index += count; first = (first + count) << 1; code <<= 1;
      }
      throw new Error("damaged data in the page");
    }
    let last = 0;
    while (!last) {
      last = bits(1);
      const kind = bits(2);
      if (kind === 0) {
        hold = 0; have = 0;
        const n = input[from] | input[from + 1] << 8;
        from += 4;
        out.set(input.subarray(from, from + n), at);
        at += n; from += n;
        continue;
      }
      const lengths = new Uint8Array(320);
      let literal = 288, distance = 30;
      if (kind === 1) {
        lengths.fill(8, 0, 144); lengths.fill(9, 144, 256); lengths.fill(7, 256, 280); lengths.fill(8, 280, 288);
        lengths.fill(5, 288, 318);
      } else {
        literal = bits(5) + 257; distance = bits(5) + 1;
        const few = bits(4) + 4, own = new Uint8Array(19);
        for (let i = 0; i < few; i++) own[ORDER[i]] = bits(3);
        const table = makeTable(own);
        for (let i = 0; i < literal + distance;) {
          const s = symbol(table);
          if (s < 16) { lengths[i++] = s; continue; }
          const value = s === 16 ? lengths[i - 1] : 0;
          let times = s === 16 ? 3 + bits(2) : s === 17 ? 3 + bits(3) : 11 + bits(7);
          while (times--) lengths[i++] = value;
        }
      }
      const a = makeTable(lengths.subarray(0, literal));
      const b = makeTable(lengths.subarray(literal, literal + distance));
      for (;;) {
        const s = symbol(a);
        if (s === 256) break;
        if (s < 256) { out[at++] = s; continue; }
        const n = LENGTH[s - 257] + bits(LENGTH_BITS[s - 257]), d = symbol(b);
        const back = BACK[d] + bits(d < 4 ? 0 : (d >> 1) - 1);
        for (let i = 0; i < n; i++, at++) out[at] = out[at - back];
      }
    }
    return out;
  }

  const source = document.getElementById("timeline-data");
  const canvas = document.getElementById("timeline");
  if (!source || !canvas || !canvas.getContext) { root.dataset.scriptDone = "nothing"; return; }
  root.classList.add("script");
  const data = JSON.parse(source.textContent);

  const delta = words(bytes(data.delta_ms)), chance = bytes(data.probability), owner = bytes(data.cylinder);
  const low = words(bytes(data.speed_low)), high = words(bytes(data.speed_high));
  const at = new Float64Array(delta.length), row = new Int32Array(delta.length);
  const steps = longs(inflate(bytes(data.row_step), 4 * delta.length));
  const entry = new Map(), lost = [];
  (function () {
    let sum = 0, k = 0;
    for (let i = 0; i < delta.length; i++) {
      sum += delta[i]; at[i] = sum / 1000;
      k += steps[i]; row[i] = k;
      if (!owner[i]) continue;
      entry.set(k, i);
      if (chance[i] >= 127 && chance[i] < 255) lost.push(i);
    }
  })();

  function clock(s, fine) {
    const h = Math.floor(s / 3600), m = Math.floor(s / 60) % 60, r = s - 60 * Math.floor(s / 60);
    const sec = fine ? (Math.floor(100 * r + 1e-6) / 100).toFixed(2).padStart(5, "0") : String(Math.floor(r + 1e-6)).padStart(2, "0");
    return h ? h + ":" + String(m).padStart(2, "0") + ":" + sec : m + ":" + sec;
  }
  function tick(value) { return String(value).replace("-", "\u2212"); }
  function chanceWords(i) {
    const share = chance[i] > 251 ? "over 99" : Math.round(chance[i] / 2.54);
    return chance[i] === 255 ? "not judged" : chance[i] >= 127 ? "judged lost (" + share + " %)"
      : "judged burnt (misfire probability " + share + " %)";
  }
  const colour = {};
  function readColours() {
    const style = getComputedStyle(root);
    ["paper", "ink", "soft", "rule", "good", "suspect", "band"].forEach(function (n) {
      colour[n] = style.getPropertyValue("--" + n).trim();
    });
  }
  const FONT = "12px system-ui, 'Segoe UI', 'Liberation Sans', Arial, sans-serif";
  function fit(target, tall) {
    const scale = window.devicePixelRatio || 1, wide = Math.max(target.getBoundingClientRect().width, 200);
    target.style.height = tall + "px";
    target.width = Math.round(wide * scale); target.height = Math.round(tall * scale);
    target.getContext("2d").setTransform(scale, 0, 0, scale, 0, 0);
    return wide;
  }
  let selected = -1;
  const listeners = [];
  function select(i, keep) { // keep: leave the stretch of time in view as it is
    if (i < 0 || i >= at.length || !owner[i]) return;
    selected = i;
    listeners.forEach(function (f) { f(i, keep); });
  }
