"use strict";
(function () {
  const root = document.documentElement;
  window.addEventListener("error", function (e) { root.dataset.scriptError = e.message; });
  const source = document.getElementById("timeline-data");
  const canvas = document.getElementById("timeline");
  if (!source || !canvas || !canvas.getContext) { root.dataset.scriptDone = "nothing"; return; }
  root.classList.add("script");

  function bytes(text) {
    const raw = atob(text), out = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
    return out;
  }
  function words(text) {
    const b = bytes(text), view = new DataView(b.buffer), out = new Uint16Array(b.length / 2);
    for (let i = 0; i < out.length; i++) out[i] = view.getUint16(2 * i, true);
    return out;
  }

  const data = JSON.parse(source.textContent);
  const delta = words(data.delta_ms), chance = bytes(data.probability), owner = bytes(data.cylinder);
  const low = words(data.speed_low), high = words(data.speed_high);
  const at = new Float64Array(delta.length);
  const lost = [];
  let sum = 0, top = 0;
  for (let i = 0; i < delta.length; i++) {
    sum += delta[i]; at[i] = sum / 1000;
    if (owner[i] && chance[i] >= 127 && chance[i] < 255) lost.push(i);
  }
  for (let i = 0; i < high.length; i++) if (high[i] < 65535 && high[i] > top) top = high[i];
  top = Math.max(top * 1.08, 1);
  const row = {};
  data.cylinders.forEach(function (c, k) { row[c] = k; });

  const out = document.getElementById("timeline-readout");
  const ctx = canvas.getContext("2d");
  const full = Math.max(data.duration, 0.001);
  const view = { start: 0, stop: full };
  const left = 74, right = 10, speedTop = 16, speedBottom = 96;
  let chosen = -1, width = 0, height = 0, colour = {};

  function first(time) {
    let a = 0, b = at.length;
    while (a < b) { const m = (a + b) >> 1; if (at[m] < time) a = m + 1; else b = m; }
    return a;
  }
  function clock(s, fine) {
    const h = Math.floor(s / 3600), m = Math.floor(s / 60) % 60, r = s - 60 * Math.floor(s / 60);
    const sec = fine ? r.toFixed(2).padStart(5, "0") : String(Math.floor(r + 1e-6)).padStart(2, "0");
    return h ? h + ":" + String(m).padStart(2, "0") + ":" + sec : m + ":" + sec;
  }
  function x(time) { return left + (time - view.start) / (view.stop - view.start) * (width - left - right); }
  function time(px) { return view.start + (px - left) / (width - left - right) * (view.stop - view.start); }

  function speedAt(t) {
    const k = Math.floor(t / full * high.length);
    return k >= 0 && k < high.length && high[k] < 65535 ? Math.round((low[k] + high[k]) / 2) : null;
  }

  function resize() {
    const scale = window.devicePixelRatio || 1, box = canvas.getBoundingClientRect();
    width = Math.max(box.width, 200);
    height = 96 + 14 + 34 * data.cylinders.length + 34;
    canvas.style.height = height + "px";
    canvas.width = Math.round(width * scale); canvas.height = Math.round(height * scale);
    ctx.setTransform(scale, 0, 0, scale, 0, 0);
    draw();
  }

  function draw() {
    const style = getComputedStyle(root);
    ["paper", "ink", "soft", "rule", "good", "suspect"].forEach(function (n) {
      colour[n] = style.getPropertyValue("--" + n).trim();
    });
    ctx.fillStyle = colour.paper; ctx.fillRect(0, 0, width, height);
    ctx.font = "12px system-ui, 'Segoe UI', 'Liberation Sans', Arial, sans-serif";
    ctx.textBaseline = "alphabetic";
    drawSpeed(); drawRows(); drawClock();
  }

  function drawSpeed() {
    ctx.fillStyle = colour.soft; ctx.textAlign = "left"; ctx.fillText("rev/min", 2, 12);
    const step = top > 4000 ? 2000 : top > 1600 ? 1000 : 500;
    ctx.textAlign = "right"; ctx.lineWidth = 0.7; ctx.strokeStyle = colour.rule;
    for (let v = 0; v <= top; v += step) {
      const y = speedBottom - v / top * (speedBottom - speedTop);
      ctx.beginPath(); ctx.moveTo(left, y); ctx.lineTo(width - right, y); ctx.stroke();
      ctx.fillText(String(v), left - 6, y + 4);
    }
    const n = high.length, piece = full / n;
    const a = Math.max(0, Math.floor(view.start / piece)), b = Math.min(n, Math.ceil(view.stop / piece));
    ctx.fillStyle = colour.soft;
    const wide = Math.max(1, piece / (view.stop - view.start) * (width - left - right));
    for (let k = a; k < b; k++) {
      if (high[k] === 65535) continue;
      // each piece reaches to the one before, so that a sudden change is no gap
      const joined = k > 0 && high[k - 1] < 65535;
      const most = joined ? Math.max(high[k], low[k - 1]) : high[k];
      const least = joined ? Math.min(low[k], high[k - 1]) : low[k];
      const px = x(k * piece), y1 = speedBottom - most / top * (speedBottom - speedTop);
      const y2 = speedBottom - least / top * (speedBottom - speedTop);
      if (px + wide < left || px > width - right) continue;
      const from = Math.max(px, left);
      ctx.fillRect(from, y1, Math.min(px + wide, width - right) - from, Math.max(1.4, y2 - y1));
    }
  }

  function drawRows() {
    const base = {};
    data.cylinders.forEach(function (c, k) {
      const y = base[c] = speedBottom + 14 + 34 * (k + 1) - 6;
      ctx.strokeStyle = colour.soft; ctx.lineWidth = 1;
      ctx.beginPath(); ctx.moveTo(left, y); ctx.lineTo(width - right, y); ctx.stroke();
      ctx.fillStyle = colour.ink; ctx.textAlign = "right"; ctx.fillText("cylinder " + c, left - 6, y - 5);
    });
    const a = first(view.start), b = first(view.stop + 1e-9);
    const close = (b - a) < 1500;
    for (let i = a; i < b; i++) {
      const y = base[owner[i]];
      if (y === undefined || chance[i] >= 127) continue;
      if (chance[i] >= 51) { ctx.fillStyle = colour.soft; ctx.fillRect(x(at[i]) - 0.6, y - 7, 1.2, 7); }
      else if (close) { ctx.fillStyle = colour.rule; ctx.fillRect(x(at[i]) - 0.6, y - 5, 1.2, 5); }
    }
    ctx.fillStyle = colour.suspect;
    for (let k = 0; k < lost.length; k++) {
      const i = lost[k], y = base[owner[i]];
      if (at[i] < view.start || at[i] > view.stop || y === undefined) continue;
      const px = x(at[i]), tall = 10 + 12 * (chance[i] / 254 - 0.5) * 2;
      ctx.fillRect(px - 1, y - tall, 2, tall);
      if (close) { ctx.beginPath(); ctx.moveTo(px, y - tall - 4); ctx.lineTo(px - 4, y - tall + 3);
        ctx.lineTo(px + 4, y - tall + 3); ctx.fill(); }
    }
    if (chosen >= 0 && at[chosen] >= view.start && at[chosen] <= view.stop) {
      ctx.strokeStyle = colour.ink; ctx.lineWidth = 1; ctx.setLineDash([3, 3]);
      ctx.beginPath(); ctx.moveTo(x(at[chosen]), speedTop); ctx.lineTo(x(at[chosen]), height - 28); ctx.stroke();
      ctx.setLineDash([]);
    }
  }

  function drawClock() {
    const span = view.stop - view.start, y = height - 26;
    const steps = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 36000];
    let step = steps[steps.length - 1];
    for (const s of steps) if (span / s <= (width - left) / 75) { step = s; break; }
    ctx.fillStyle = colour.soft; ctx.strokeStyle = colour.soft; ctx.textAlign = "center";
    for (let k = Math.ceil(view.start / step); k * step <= view.stop; k++) {
      const px = x(k * step);
      ctx.beginPath(); ctx.moveTo(px, y); ctx.lineTo(px, y + 4); ctx.stroke();
      const words = clock(k * step, step < 1);
      const over = px + ctx.measureText(words).width / 2 - width;
      ctx.fillText(words, over > 0 ? px - over : px, y + 17);
    }
  }

  function say(i) {
    chosen = i;
    const p = chance[i] === 255 ? "not judged" : "misfire probability " + Math.round(chance[i] / 2.54) + " %";
    const v = speedAt(at[i]);
    out.textContent = clock(at[i], true) + "  cylinder " + owner[i] + ", " + p + (v === null ? "" : ", " + v + " rev/min");
  }
  function nearest(px, py) {
    const reach = Math.abs(time(px + 6) - time(px)), a = first(time(px) - reach), b = first(time(px) + reach);
    const k = Math.floor((py - speedBottom - 14) / 34), wanted = data.cylinders[k];
    let best = -1, score = Infinity;
    for (let i = a; i < b; i++) {
      if (!owner[i] || (wanted !== undefined && owner[i] !== wanted)) continue;
      const confirmed = chance[i] >= 127 && chance[i] < 255;
      const s = Math.abs(at[i] - time(px)) / reach - (confirmed ? 2 : 0);
      if (s < score) { score = s; best = i; }
    }
    return best;
  }
  function show(start, stop) {
    let span = Math.min(Math.max(stop - start, Math.min(0.5, full)), full);
    let a = Math.min(Math.max((start + stop) / 2 - span / 2, 0), full - span);
    view.start = a; view.stop = a + span; draw();
  }
  function zoom(factor, centre) {
    const c = centre === undefined ? (view.start + view.stop) / 2 : centre, span = (view.stop - view.start) * factor;
    const share = (c - view.start) / (view.stop - view.start);
    show(c - share * span, c - share * span + span);
  }
  function pan(share) { const d = share * (view.stop - view.start); show(view.start + d, view.stop + d); }
  function step(direction) {
    if (!lost.length) { out.textContent = "No lost combustion in this recording."; return; }
    const from = chosen >= 0 ? at[chosen] : (direction > 0 ? -1 : full + 1);
    let hit = -1;
    if (direction > 0) { for (const i of lost) if (at[i] > from) { hit = i; break; } }
    else { for (let k = lost.length - 1; k >= 0; k--) if (at[lost[k]] < from) { hit = lost[k]; break; } }
    if (hit < 0) hit = direction > 0 ? lost[0] : lost[lost.length - 1];
    say(hit);
    const span = Math.min(view.stop - view.start, 20);
    show(at[hit] - span / 2, at[hit] + span / 2);
  }

  const acts = {
    in: function () { zoom(0.5); }, out: function () { zoom(2); }, all: function () { show(0, full); },
    earlier: function () { pan(-0.4); }, later: function () { pan(0.4); },
    next: function () { step(1); }, previous: function () { step(-1); }
  };
  document.querySelectorAll("[data-act]").forEach(function (b) {
    b.addEventListener("click", function () { acts[b.dataset.act](); });
  });
  canvas.addEventListener("keydown", function (e) {
    const act = { ArrowLeft: "earlier", ArrowRight: "later", "+": "in", "=": "in", "-": "out", Home: "all",
      n: "next", p: "previous" }[e.key];
    if (act && !e.ctrlKey && !e.metaKey && !e.altKey) { e.preventDefault(); acts[act](); }
  });
  let drag = null;
  canvas.addEventListener("pointerdown", function (e) {
    drag = { px: e.offsetX, start: view.start, stop: view.stop };
    canvas.setPointerCapture(e.pointerId);
  });
  canvas.addEventListener("pointermove", function (e) {
    if (drag) {
      const d = (drag.px - e.offsetX) / (width - left - right) * (drag.stop - drag.start);
      show(drag.start + d, drag.stop + d);
      return;
    }
    const i = nearest(e.offsetX, e.offsetY);
    if (i >= 0 && i !== chosen) { say(i); draw(); }
  });
  ["pointerup", "pointercancel"].forEach(function (n) { canvas.addEventListener(n, function () { drag = null; }); });
  canvas.addEventListener("dblclick", function (e) { zoom(0.4, time(e.offsetX)); });
  canvas.addEventListener("wheel", function (e) {
    if (!e.ctrlKey) return;
    e.preventDefault(); zoom(e.deltaY > 0 ? 1.25 : 0.8, time(e.offsetX));
  }, { passive: false });
  window.addEventListener("resize", resize);
  const dark = window.matchMedia ? window.matchMedia("(prefers-color-scheme: dark)") : null;
  if (dark && dark.addEventListener) dark.addEventListener("change", draw);
  resize();
  root.dataset.scriptDone = String(lost.length);
})();
