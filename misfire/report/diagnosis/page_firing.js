  // One firing: its waveform over the median good ones, its values beside theirs.
  const sheet = document.getElementById("firing-wave");
  const viewer = JSON.parse(document.getElementById("viewer-data").textContent);
  const firingWords = document.getElementById("firing-words"), pointWords = document.getElementById("firing-point");
  const channelBox = document.getElementById("firing-channel"), rowBox = document.getElementById("firing-row");
  const valueRows = document.querySelector("#firing-values tbody");
  const pen = sheet.getContext("2d");
  const details = viewer.details, place = new Map();
  longs(inflate(bytes(details.row), 4 * details.count)).forEach(function (r, k) { place.set(r, k); });
  const flagOf = words(inflate(bytes(details.flags), 2 * details.count));
  const boundOf = inflate(bytes(details.bound), details.count);
  details.columns.forEach(function (c) { c.data = words(inflate(bytes(c.words), 2 * details.count)); });

  const waves = viewer.waves;
  let part = "whole", seen = null; // seen: what the picture shows now

  function unpack(w) {
    if (w.index) return w;
    const n = w.time_ms.length, total = w.count * n, b = inflate(bytes(w.residual), 2 * total);
    w.lines = new Int16Array(total);
    for (let i = 0; i < total; i++) w.lines[i] = b[i] | b[total + i] << 8;
    w.index = new Map();
    longs(inflate(bytes(w.row), 4 * w.count)).forEach(function (r, k) { w.index.set(r, k); });
    return w;
  }
  function scaled(w, counts) { return counts ? counts.map(function (v) { return v * w.step; }) : null; }
  function lineOf(w, r, c) {
    const k = unpack(w).index.get(r), n = w.time_ms.length, base = w.medians[c] || w.base;
    if (k === undefined) return null;
    const out = new Float64Array(n);
    for (let i = 0; i < n; i++) out[i] = (base[i] + w.lines[k * n + i]) * w.step;
    return out;
  }
  function valueOf(column, k) {
    const c = details.columns.find(function (q) { return q.column === column; });
    if (!c || k === undefined || c.data[k] === 65535) return NaN;
    return c.low + (c.high - c.low) * c.data[k] / 65534;
  }
  function figure(value, decimals) {
    return isNaN(value) ? "\u2013" : value.toFixed(decimals).replace(/^-(0\.?0*)$/, "$1").replace("-", "\u2212");
  }

  function showFiring(i) {
    const r = row[i], c = owner[i], k = place.get(r);
    const usable = waves.filter(function (w) { return unpack(w).index.has(r); });
    if (String(document.activeElement !== rowBox || rowBox.value) !== String(r)) rowBox.value = r;
    const wanted = channelBox.value;
    channelBox.replaceChildren();
    usable.forEach(function (w) { channelBox.add(new Option(w.channel, w.channel, false, w.channel === wanted)); });
    channelBox.disabled = usable.length < 2;
    channelBox.parentElement.hidden = !usable.length;
    const flags = k === undefined ? "" : details.flag_words[flagOf[k]];
    firingWords.textContent = "Cylinder " + c + " at " + clock(at[i], true) + ", row " + r + " of events.parquet: "
      + chanceWords(i) + (flags ? "; remarks: " + flags : "") + "."
      + (usable.length ? "" : " Its waveform is not in this page; `misfire show` draws it from the recording.");
    valueRows.replaceChildren();
    details.columns.forEach(function (q) {
      const tr = document.createElement("tr"), th = document.createElement("th");
      th.scope = "row"; th.textContent = q.label; tr.append(th);
      const mine = valueOf(q.column, k), bound = q.column === "firing_voltage_kv" && k !== undefined && boundOf[k] && mine > 0;
      [(bound ? "over " : "") + figure(mine, q.decimals), q.own[c], q.others[c]].forEach(function (text) {
        const td = document.createElement("td"); td.className = "n"; td.textContent = text || "\u2013"; tr.append(td);
      });
      const unit = document.createElement("td"); unit.textContent = q.unit; tr.append(unit);
      valueRows.append(tr);
    });
    drawFiring();
  }

  function drawFiring() {
    const i = selected;
    seen = null;
    const w = i < 0 ? null : waves.find(function (v) { return v.channel === channelBox.value; });
    sheet.hidden = !w;
    pointWords.textContent = "";
    if (!w) return;
    const c = owner[i], line = lineOf(w, row[i], c);
    const own = scaled(w, w.medians[c]);
    const others = Object.keys(w.medians).filter(function (k) { return Number(k) !== c; })
      .map(function (k) { return scaled(w, w.medians[k]); });
    const all = [line].concat(own ? [own] : [], others);
    const k = place.get(row[i]), dwell = valueOf("dwell_ms", k), burn = valueOf("burn_time_ms", k);
    const kick = w.role === "coil_primary" || w.role === "coil_secondary", t = w.time_ms;
    let from = t[0], to = t[t.length - 1];
    if (part === "spark") { from = -0.15; to = Math.min(to, kick ? 2.6 : 0.6); }
    if (part === "charge") { from = Math.max(from, -1.25 * (dwell > 0 ? dwell : 3)); to = 0.15; }
    const inside = [];
    t.forEach(function (v, n) { if (v >= from && v <= to) inside.push(n); });
    let most = -Infinity, least = 0, calm = [];
    all.forEach(function (v) { inside.forEach(function (n) {
      most = Math.max(most, v[n]); least = Math.min(least, v[n]); if (t[n] > 0.15) calm.push(v[n]); }); });
    calm.sort(function (a, b) { return a - b; });
    const spark = calm.length ? 1.25 * calm[Math.floor(0.995 * (calm.length - 1))] : 0;
    const two = kick && spark > 0 && most > 2.5 * spark;
    const tall = two ? 400 : 290, wide = fit(sheet, tall), a = 52, b = wide - 8;
    const X = function (v) { return a + (v - from) / (to - from) * (b - a); };
    readColours();
    pen.fillStyle = colour.paper; pen.fillRect(0, 0, wide, tall);
    pen.font = FONT;
    const lost = chance[i] >= 127 && chance[i] < 255;
    const frames = two ? [{ y: [58, 140], v: [least, 1.06 * most], rows: 3 }, { y: [176, tall - 40], v: [least, spark], rows: 5 }]
      : [{ y: [58, tall - 40], v: [least, 1.06 * most || 1], rows: 5 }];
    frames.forEach(function (f) { drawFrame(f, w, all, own, others, line, lost, X, a, b, inside); });
    nameParts(X, dwell, burn, kick, from, to, tall, a, b);
    pen.fillStyle = colour.soft; pen.strokeStyle = colour.soft; pen.textAlign = "center"; pen.lineWidth = 1;
    const step = niceStep((to - from) / (wide > 500 ? 9 : 5));
    for (let n = Math.ceil(from / step - 1e-9); n * step <= to + 1e-9; n++) {
      const v = Number((n * step).toFixed(6));
      pen.beginPath(); pen.moveTo(X(v), tall - 40); pen.lineTo(X(v), tall - 36); pen.stroke();
      pen.fillText(tick(v), X(v), tall - 23);
    }
    pen.textAlign = "right"; pen.fillText("ms from switch-off", b, tall - 6);
    seen = { w: w, line: line, own: own, from: from, to: to, a: a, b: b };
    sheet.setAttribute("aria-label", "Waveform of " + w.channel + ", cylinder " + c + " at " + clock(at[i], true) + ", "
      + chanceWords(i) + ", over the median of its good firings" + (own ? "" : " (it has too few)")
      + " and of the other cylinders on this channel. The table below has its values.");
  }
  function niceStep(raw) {
    const power = Math.pow(10, Math.floor(Math.log10(raw)));
    for (const m of [1, 2, 5, 10]) if (m * power >= raw * 0.999999) return m * power;
    return 10 * power;
  }
  function drawFrame(f, w, all, own, others, line, lost, X, a, b, inside) {
    const Y = function (v) { return f.y[1] - (v - f.v[0]) / (f.v[1] - f.v[0]) * (f.y[1] - f.y[0]); };
    const step = niceStep((f.v[1] - f.v[0]) / f.rows);
    pen.textAlign = "right"; pen.lineWidth = 0.7; pen.strokeStyle = colour.rule; pen.fillStyle = colour.soft;
    for (let n = Math.ceil(f.v[0] / step - 1e-9); n * step <= f.v[1] + 1e-9; n++) {
      const v = Number((n * step).toFixed(6));
      pen.beginPath(); pen.moveTo(a, Y(v)); pen.lineTo(b, Y(v)); pen.stroke();
      pen.fillText(tick(v), a - 5, Y(v) + 4);
    }
    pen.textAlign = "left"; pen.fillText(w.unit, 2, f.y[0] - 4);
    pen.save();
    pen.beginPath(); pen.rect(a, f.y[0], b - a, f.y[1] - f.y[0]); pen.clip();
    const trace = function (v, style, thick, dash) {
      pen.strokeStyle = style; pen.lineWidth = thick; pen.setLineDash(dash); pen.lineJoin = "round";
      pen.beginPath();
      inside.forEach(function (n, k) {
        if (k) pen.lineTo(X(w.time_ms[n]), Y(v[n])); else pen.moveTo(X(w.time_ms[n]), Y(v[n]));
      });
      pen.stroke(); pen.setLineDash([]);
    };
    others.forEach(function (v) { trace(v, colour.soft, 1, [1, 3]); });
    if (own) trace(own, colour.good, 2, [6, 4]);
    trace(line, lost ? colour.suspect : colour.ink, 1.7, []);
    pen.restore();
  }
  function nameParts(X, dwell, burn, kick, from, to, tall, a, b) {
    const span = function (start, stop, text) {
      const p = X(Math.max(start, from)), q = X(Math.min(stop, to));
      if (q - p < pen.measureText(text).width * 0.8) return;
      pen.beginPath(); pen.moveTo(p + 1, 28); pen.lineTo(p + 1, 22); pen.lineTo(q - 1, 22); pen.lineTo(q - 1, 28); pen.stroke();
      pen.fillText(text, (p + q) / 2, 16);
    };
    const down = function (v, text, y) {
      if (v < from || v > to) return;
      pen.setLineDash([2, 3]);
      pen.beginPath(); pen.moveTo(X(v), y - 8); pen.lineTo(X(v), tall - 40); pen.stroke(); pen.setLineDash([]);
      const over = X(v) + 5 + pen.measureText(text).width > b;
      pen.textAlign = over ? "right" : "left"; pen.fillText(text, X(v) + (over ? -5 : 5), y); pen.textAlign = "center";
    };
    pen.fillStyle = colour.ink; pen.strokeStyle = colour.soft; pen.lineWidth = 1; pen.textAlign = "center";
    if (dwell > 0) span(-dwell, 0, "dwell " + figure(dwell, 2) + " ms");
    down(0, kick ? "switch-off, firing line" : "switch-off", 40);
    if (!kick || isNaN(burn)) return;
    if (burn > 0) {
      span(0, burn, "spark line " + figure(burn, 2) + " ms");
      span(burn, Math.min(burn + 1.6, to), "ring-down");
      down(burn, "end of burn", 52);
    } else span(0, Math.min(1.6, to), "no spark line: the gap did not break down");
  }

  listeners.push(showFiring);
  document.querySelectorAll("[data-part]").forEach(function (button) {
    button.addEventListener("click", function () {
      part = button.dataset.part;
      document.querySelectorAll("[data-part]").forEach(function (other) {
        other.setAttribute("aria-pressed", String(other === button));
      });
      drawFiring();
    });
  });
  channelBox.addEventListener("change", drawFiring);
  rowBox.addEventListener("change", function () {
    const i = entry.get(Number(rowBox.value));
    if (i === undefined) firingWords.textContent = "Row " + rowBox.value + " is not in this page; rows go from 0 to "
      + (data.n_rows - 1) + (data.shown < data.total ? ", and the page holds the most probable of them." : ".");
    else select(i);
  });
  sheet.addEventListener("pointermove", function (e) {
    if (!seen) return;
    const t = seen.from + (e.offsetX - seen.a) / (seen.b - seen.a) * (seen.to - seen.from), times = seen.w.time_ms;
    if (t < seen.from || t > seen.to) return;
    let n = 0;
    for (let k = 1; k < times.length; k++) if (Math.abs(times[k] - t) < Math.abs(times[n] - t)) n = k;
    const decimals = seen.w.unit === "A" ? 2 : 1;
    pointWords.textContent = figure(times[n], 2) + " ms: this firing " + figure(seen.line[n], decimals) + " " + seen.w.unit
      + (seen.own ? ", median good " + figure(seen.own[n], decimals) + " " + seen.w.unit : "");
  });
  document.querySelectorAll("[data-firing]").forEach(function (cell) {
    const button = document.createElement("button");
    button.type = "button"; button.className = "plain"; button.textContent = cell.textContent;
    button.setAttribute("aria-label", "Show the firing at " + cell.textContent);
    button.addEventListener("click", function () {
      const i = entry.get(Number(cell.dataset.firing));
      if (i === undefined) return;
      select(i);
      document.getElementById("firing").scrollIntoView({ block: "start" });
      document.getElementById("firing").focus({ preventScroll: true });
    });
    cell.replaceChildren(button);
  });

  window.addEventListener("resize", function () { resize(); drawFiring(); });
  const dark = window.matchMedia ? window.matchMedia("(prefers-color-scheme: dark)") : null;
  if (dark && dark.addEventListener) dark.addEventListener("change", function () { draw(); drawFiring(); });
  resize();
  // begin with the surest lost firing, of those whose waveforms are here if there are such, else
  // with the first one whose waveform is here
  let start = -1;
  const drawn = lost.filter(function (i) { return waves.some(function (w) { return unpack(w).index.has(row[i]); }); });
  (drawn.length ? drawn : lost).forEach(function (i) { if (start < 0 || chance[i] > chance[start]) start = i; });
  if (start < 0) start = entry.has(place.keys().next().value) ? entry.get(place.keys().next().value) : first(0);
  if (start >= 0 && start < at.length) select(start, true);
  root.dataset.scriptDone = String(lost.length);
