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
  details.columns.concat(details.wait || []).forEach(function (c) { c.data = words(inflate(bytes(c.words), 2 * details.count)); });

  const waves = viewer.waves, heightsBox = document.getElementById("firing-heights");
  // what is shown of it: a part or a stretch of time [ms] chosen by zooming, and which heights
  let part = "whole", zoomed = null, heights = "both", seen = null; // seen: what the picture shows now
  let wanted = ""; // the channel that was asked for; empty: all of the firing's

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
  function unpackWord(c, k) {
    return !c || k === undefined || c.data[k] === 65535 ? NaN : c.low + (c.high - c.low) * c.data[k] / 65534;
  }
  function valueOf(column, k) { return unpackWord(details.columns.find(function (q) { return q.column === column; }), k); }
  function figure(value, decimals) {
    return isNaN(value) ? "\u2013" : value.toFixed(decimals).replace(/^-(0\.?0*)$/, "$1").replace("-", "\u2212");
  }

  function showFiring(i) {
    const r = row[i], c = owner[i], k = place.get(r);
    const usable = waves.filter(function (w) { return unpack(w).index.has(r); });
    if (String(document.activeElement !== rowBox || rowBox.value) !== String(r)) rowBox.value = r;
    channelBox.replaceChildren();
    if (usable.length > 1) channelBox.add(new Option("all, one below the other", "", false, wanted === ""));
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
      const mine = valueOf(q.column, k), words = q.column === "firing_voltage_kv" && mine > 0 ? details.breakdown_words[flagOf[k]] : null;
      [(words && !words.sure ? words.before_voltage.slice(2) : "") + figure(mine, q.decimals), q.own[c], q.others[c]].forEach(function (text) {
        const td = document.createElement("td"); td.className = "n"; td.textContent = text || "\u2013"; tr.append(td);
      });
      const unit = document.createElement("td"); unit.textContent = q.unit; tr.append(unit);
      valueRows.append(tr);
    });
    drawFiring();
  }

  function isKick(w) { return w.role === "coil_primary" || w.role === "coil_secondary"; }
  function measured(k) { // what was measured of the firing: times in ms from switch-off
    const dwell = valueOf("dwell_ms", k), burn = valueOf("burn_time_ms", k), kv = valueOf("firing_voltage_kv", k);
    const wait = details.wait ? unpackWord(details.wait, k) : NaN;
    const words = k === undefined ? null : details.breakdown_words[flagOf[k]];
    let label = "";
    if (words && (burn >= 0 || wait > 0 || kv > 0)) {
      label = words.name + (words.timed && wait > 0 ? " " + figure(1000 * wait, 0) + " \u00b5s" : "")
        + (kv > 0 ? words.before_voltage + figure(kv, 1) + " kV" : "") + words.after;
    }
    return { dwell: dwell, burn: burn, wait: wait, label: label, sure: Boolean(words && words.sure) };
  }
  function stretch(shown, m) { // the stretch of time in view
    const start = Math.min.apply(null, shown.map(function (v) { return v.w.time_ms[0]; }));
    const stop = Math.max.apply(null, shown.map(function (v) { return v.w.time_ms[v.w.time_ms.length - 1]; }));
    const whole = { from: start, to: stop };
    if (zoomed) return { from: Math.max(zoomed.from, start), to: Math.min(zoomed.to, stop), whole: whole };
    const kick = shown.some(function (v) { return isKick(v.w); });
    if (part === "spark") return { from: -0.15, to: Math.min(stop, kick ? 2.6 : 0.6), whole: whole };
    if (part === "breakdown") return { from: -0.05, to: Math.max(0.25, m.wait > 0 ? m.wait + 0.15 : 0), whole: whole };
    if (part === "charge") return { from: Math.max(start, -1.25 * (m.dwell > 0 ? m.dwell : 3)), to: 0.15, whole: whole };
    return { from: start, to: stop, whole: whole };
  }
  function read(w, i) { // one channel's lines of a firing, and the heights that show them
    const c = owner[i], v = { w: w, line: lineOf(w, row[i], c), own: scaled(w, w.medians[c]) };
    v.others = Object.keys(w.medians).filter(function (k) { return Number(k) !== c; }).map(function (k) { return scaled(w, w.medians[k]); });
    return v;
  }
  function measureHeights(v, span) {
    const t = v.w.time_ms, good = v.others.concat(v.own ? [v.own] : []), all = good.concat([v.line]);
    v.inside = [];
    t.forEach(function (at, n) { // one more on either side, so that lines reach the frame
      if ((at >= span.from || t[n + 1] >= span.from) && (at <= span.to || t[n - 1] <= span.to)) v.inside.push(n);
    });
    let most = 0, least = 0;
    all.forEach(function (line) { v.inside.forEach(function (n) { most = Math.max(most, line[n]); least = Math.min(least, line[n]); }); });
    v.most = 1.06 * most || 1; v.least = 1.06 * least;
    v.sign = -least > most ? -1 : 1; // a pick-up's kick may point down
    // the spark line's height is that of good firings: one that rings on would hide its neighbours'
    const calm = [];
    (good.length ? good : [v.line]).forEach(function (line) {
      t.forEach(function (at, n) { if (at > 0.15) calm.push(v.sign * line[n]); });
    });
    calm.sort(function (a, b) { return a - b; });
    v.spark = calm.length ? 1.6 * calm[Math.floor(0.995 * (calm.length - 1))] : 0;
    // whatever part is in view, the choice of heights stays
    const top = all.reduce(function (u, line) { return line.reduce(function (x, y) { return Math.max(x, Math.abs(y)); }, u); }, 0);
    v.two = isKick(v.w) && v.spark > 0 && top > 2.5 * v.spark;
  }
  function framesOf(v, y, alone) { // the frames of one channel from y downwards
    const whole = [v.least, v.most], low = Math.max(-0.5 * v.spark, v.sign > 0 ? v.least : -v.most);
    const near = v.sign > 0 ? [low, v.spark] : [-v.spark, -low];
    if (!v.two) return [{ y: [y, y + (alone ? 190 : 110)], v: whole, rows: alone ? 5 : 3 }];
    if (heights === "kick") return [{ y: [y, y + (alone ? 230 : 170)], v: whole, rows: 5 }];
    if (heights === "spark") return [{ y: [y, y + (alone ? 230 : 170)], v: near, rows: 5, near: true }];
    return [{ y: [y, y + 84], v: whole, rows: 3 }, { y: [y + 106, y + (alone ? 290 : 256)], v: near, rows: 5, near: true }];
  }

  function drawFiring() {
    const i = selected;
    seen = null;
    const shown = i < 0 ? [] : waves.filter(function (w) {
      return unpack(w).index.has(row[i]) && (channelBox.value === "" || w.channel === channelBox.value);
    }).map(function (w) { return read(w, i); });
    sheet.hidden = !shown.length;
    pointWords.textContent = "";
    if (!shown.length) return;
    const m = measured(place.get(row[i])), span = stretch(shown, m), kick = shown.some(function (v) { return isKick(v.w); });
    let y = kick ? 76 : 48;
    shown.forEach(function (v) {
      measureHeights(v, span);
      v.top = y + 14;
      v.frames = framesOf(v, v.top, shown.length === 1);
      y = v.frames[v.frames.length - 1].y[1] + 22;
    });
    heightsBox.hidden = !shown.some(function (v) { return v.two; });
    const bottom = y - 22, tall = bottom + 40, wide = fit(sheet, tall), a = 52, b = wide - 8;
    const X = function (t) { return a + (t - span.from) / (span.to - span.from) * (b - a); };
    readColours();
    pen.fillStyle = colour.paper; pen.fillRect(0, 0, wide, tall);
    pen.font = FONT;
    const lost = chance[i] >= 127 && chance[i] < 255;
    shown.forEach(function (v) {
      v.frames.forEach(function (f) { drawFrame(f, v, lost, X, a, b); });
    });
    nameParts(X, m, kick, span, bottom, a, b);
    shown.forEach(function (v) {
      if (isKick(v.w)) v.frames.forEach(function (f) { markBreakdown(f, v, m, X, span); });
      write(v.w.channel + ", " + v.w.unit, 2, v.top - 5);
    });
    pen.fillStyle = colour.soft; pen.strokeStyle = colour.soft; pen.textAlign = "center"; pen.lineWidth = 1;
    const step = niceStep((span.to - span.from) / (wide > 500 ? 9 : 4));
    for (let n = Math.ceil(span.from / step - 1e-9); n * step <= span.to + 1e-9; n++) {
      const t = Number((n * step).toFixed(6)), half = pen.measureText(tick(t)).width / 2;
      pen.beginPath(); pen.moveTo(X(t), bottom); pen.lineTo(X(t), bottom + 4); pen.stroke();
      pen.fillText(tick(t), Math.min(X(t), wide - half), bottom + 17);
    }
    pen.textAlign = "right"; pen.fillText("ms from switch-off", b, bottom + 34);
    seen = { shown: shown, from: span.from, to: span.to, whole: span.whole, centre: kick && m.wait > 0 ? m.wait : 0, a: a, b: b };
    sheet.dataset.heights = shown[0].frames.map(function (f) { return f.v.map(function (u) { return u.toFixed(1); }).join(" "); }).join(";");
    sheet.dataset.from = span.from.toFixed(4); sheet.dataset.to = span.to.toFixed(4); // for tests and for reading by machine
    sheet.setAttribute("aria-label", "Waveform of " + shown.map(function (v) { return v.w.channel; }).join(" and ") + ", cylinder "
      + owner[i] + " at " + clock(at[i], true) + ", " + chanceWords(i) + (kick && m.label ? "; " + m.label : "")
      + ". Over the median of its good firings" + (shown[0].own ? "" : " (it has too few)")
      + " and of the other cylinders. Plus and minus zoom, arrow keys move, Home shows all. The table below has its values.");
  }
  function niceStep(raw) {
    const power = Math.pow(10, Math.floor(Math.log10(raw)));
    for (const m of [1, 2, 5, 10]) if (m * power >= raw * 0.999999) return m * power;
    return 10 * power;
  }
  function write(text, left, y) { // on a ground of paper, so that no line runs through the words
    pen.fillStyle = colour.paper; pen.fillRect(left - 1, y - 11, pen.measureText(text).width + 2, 14);
    pen.fillStyle = colour.ink; pen.textAlign = "left"; pen.fillText(text, left, y);
  }
  function drawFrame(f, v, lost, X, a, b) {
    const Y = f.Y = function (u) { return f.y[1] - (u - f.v[0]) / (f.v[1] - f.v[0]) * (f.y[1] - f.y[0]); };
    const step = niceStep((f.v[1] - f.v[0]) / f.rows);
    pen.textAlign = "right"; pen.lineWidth = 0.7; pen.strokeStyle = colour.rule; pen.fillStyle = colour.soft;
    for (let n = Math.ceil(f.v[0] / step - 1e-9); n * step <= f.v[1] + 1e-9; n++) {
      const u = Number((n * step).toFixed(6));
      pen.beginPath(); pen.moveTo(a, Y(u)); pen.lineTo(b, Y(u)); pen.stroke();
      pen.fillText(tick(u), a - 5, Y(u) + 4);
    }
    if (f.near) pen.fillText("enlarged", b, f.y[0] - 5);
    pen.save();
    pen.beginPath(); pen.rect(a, f.y[0], b - a, f.y[1] - f.y[0]); pen.clip();
    const trace = function (line, style, thick, dash) {
      pen.strokeStyle = style; pen.lineWidth = thick; pen.setLineDash(dash); pen.lineJoin = "round";
      pen.beginPath();
      v.inside.forEach(function (n, k) {
        if (k) pen.lineTo(X(v.w.time_ms[n]), Y(line[n])); else pen.moveTo(X(v.w.time_ms[n]), Y(line[n]));
      });
      pen.stroke(); pen.setLineDash([]);
    };
    v.others.forEach(function (line) { trace(line, colour.soft, 1, [1, 3]); });
    if (v.own) trace(v.own, colour.good, 2, [6, 4]);
    trace(v.line, lost ? colour.suspect : colour.ink, 1.7, []);
    pen.restore();
  }
  function markBreakdown(f, v, m, X, span) { // a point on the wave; open where the voltage is a bound or not known
    if (!(m.wait > 0) || m.wait < span.from || m.wait > span.to) return;
    const t = v.w.time_ms;
    let n = 1;
    while (n < t.length - 1 && t[n] < m.wait) n++;
    const u = v.sign * Math.max(v.sign * v.line[n - 1], v.sign * v.line[n]); // the top, not its fall
    if (u < f.v[0] || u > f.v[1]) return;
    pen.beginPath(); pen.arc(X(m.wait), f.Y(u), 4.5, 0, 7);
    pen.fillStyle = m.sure ? colour.ink : colour.paper; pen.strokeStyle = colour.ink; pen.lineWidth = 1.6;
    pen.fill(); pen.stroke();
  }
  function nameParts(X, m, kick, span, bottom, a, b) {
    const bracket = function (start, stop, text) {
      const p = X(Math.max(start, span.from)), q = X(Math.min(stop, span.to));
      if (q - p < pen.measureText(text).width * 0.8) return;
      pen.beginPath(); pen.moveTo(p + 1, 28); pen.lineTo(p + 1, 22); pen.lineTo(q - 1, 22); pen.lineTo(q - 1, 28); pen.stroke();
      pen.textAlign = "center"; pen.fillText(text, (p + q) / 2, 16);
    };
    const down = function (t, text, y) {
      if (t < span.from || t > span.to) return;
      pen.setLineDash([2, 3]);
      pen.beginPath(); pen.moveTo(X(t), y - 8); pen.lineTo(X(t), bottom); pen.stroke(); pen.setLineDash([]);
      const room = pen.measureText(text).width;
      let left = X(t) + 5;
      if (left + room > b) left = Math.max(2, Math.min(X(t) - 5, b) - room);
      write(text, left, y);
    };
    pen.fillStyle = colour.ink; pen.strokeStyle = colour.soft; pen.lineWidth = 1;
    if (m.dwell > 0) bracket(-m.dwell, 0, "dwell " + figure(m.dwell, 2) + " ms");
    if (kick && m.burn > 0) {
      bracket(0, m.burn, "spark line " + figure(m.burn, 2) + " ms");
      bracket(m.burn, m.burn + 1.6, "ring-down");
    }
    down(0, "switch-off", 40);
    if (!kick) return;
    if (m.label) down(m.wait > 0 ? m.wait : 0, m.label, 54);
    if (m.burn > 0) down((m.wait > 0 ? m.wait : 0) + m.burn, "end of burn", 68);
  }
  function zoomTime(factor) { // about the breakdown of the chosen firing, without one about its switch-off
    if (!seen) return;
    const span = Math.min(Math.max((seen.to - seen.from) * factor, 0.04), seen.whole.to - seen.whole.from);
    const inView = seen.centre >= seen.from && seen.centre <= seen.to, middle = inView ? seen.centre : (seen.from + seen.to) / 2;
    setStretch(middle - span / 2, span);
  }
  function moveTime(share) { if (seen) setStretch(seen.from + share * (seen.to - seen.from), seen.to - seen.from); }
  function setStretch(from, span) {
    const start = Math.min(Math.max(from, seen.whole.from), seen.whole.to - span);
    zoomed = { from: start, to: start + span };
    press("part", null);
    drawFiring();
  }
  function press(name, chosen) { // shows which of the buttons of a group holds
    document.querySelectorAll("[data-" + name + "]").forEach(function (button) {
      button.setAttribute("aria-pressed", String(button.dataset[name] === chosen));
    });
  }
  function choosePart(name) { part = name; zoomed = null; press("part", name); drawFiring(); }

  listeners.push(showFiring);
  document.querySelectorAll("[data-part]").forEach(function (button) {
    button.addEventListener("click", function () { choosePart(button.dataset.part); });
  });
  document.querySelectorAll("[data-heights]").forEach(function (button) {
    button.addEventListener("click", function () { heights = button.dataset.heights; press("heights", heights); drawFiring(); });
  });
  document.querySelectorAll("[data-zoom]").forEach(function (button) {
    button.addEventListener("click", function () { zoomTime(Number(button.dataset.zoom)); });
  });
  sheet.addEventListener("keydown", function (e) {
    const act = { "+": [zoomTime, 0.5], "=": [zoomTime, 0.5], "-": [zoomTime, 2], ArrowLeft: [moveTime, -0.25],
      ArrowRight: [moveTime, 0.25], Home: [choosePart, "whole"] }[e.key];
    if (act && !e.ctrlKey && !e.metaKey && !e.altKey) { e.preventDefault(); act[0](act[1]); }
  });
  channelBox.addEventListener("change", function () { wanted = channelBox.value; drawFiring(); });
  rowBox.addEventListener("change", function () {
    const i = entry.get(Number(rowBox.value));
    if (i === undefined) firingWords.textContent = "Row " + rowBox.value + " is not in this page; rows go from 0 to "
      + (data.n_rows - 1) + (data.shown < data.total ? ", and the page holds the most probable of them." : ".");
    else select(i);
  });
  sheet.addEventListener("pointermove", function (e) {
    if (!seen) return;
    const t = seen.from + (e.offsetX - seen.a) / (seen.b - seen.a) * (seen.to - seen.from);
    if (t < seen.from || t > seen.to) return;
    let v = seen.shown[0];
    seen.shown.forEach(function (other) { if (e.offsetY >= other.top - 14) v = other; });
    const times = v.w.time_ms, decimals = v.w.unit === "A" ? 2 : 1;
    let n = 0;
    for (let k = 1; k < times.length; k++) if (Math.abs(times[k] - t) < Math.abs(times[n] - t)) n = k;
    pointWords.textContent = figure(times[n], seen.to - seen.from < 1 ? 3 : 2) + " ms, " + v.w.channel + ": this firing "
      + figure(v.line[n], decimals) + " " + v.w.unit
      + (v.own ? ", median good " + figure(v.own[n], decimals) + " " + v.w.unit : "");
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
