  // The whole recording: speed above, one row of firings for each cylinder below.
  const out = document.getElementById("timeline-readout");
  let top = 1;
  for (let i = 0; i < high.length; i++) if (high[i] < 65535 && high[i] > top) top = high[i];
  top *= 1.08;
  const ctx = canvas.getContext("2d");
  const full = Math.max(data.duration, 0.001);
  const view = { start: 0, stop: full };
  const left = 74, right = 10, speedTop = 16, speedBottom = 96;
  let pointed = -1, width = 0, height = 0;

  function first(time) {
    let a = 0, b = at.length;
    while (a < b) { const m = (a + b) >> 1; if (at[m] < time) a = m + 1; else b = m; }
    return a;
  }
  function x(time) { return left + (time - view.start) / (view.stop - view.start) * (width - left - right); }
  function time(px) { return view.start + (px - left) / (width - left - right) * (view.stop - view.start); }

  function resize() {
    height = 96 + 14 + 34 * data.cylinders.length + 34;
    width = fit(canvas, height);
    draw();
  }

  function draw() {
    readColours();
    ctx.fillStyle = colour.paper; ctx.fillRect(0, 0, width, height);
    ctx.font = FONT;
    ctx.textBaseline = "alphabetic";
    drawSpeed(); drawRows(); drawNotes(); drawClock();
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
    drawMark(pointed, [2, 4]); drawMark(selected, []);
    if (selected >= 0 && at[selected] >= view.start && at[selected] <= view.stop) {
      const y = base[owner[selected]];
      ctx.strokeStyle = colour.ink; ctx.lineWidth = 2;
      ctx.beginPath(); ctx.arc(x(at[selected]), y, 5, 0, 7); ctx.stroke();
    }
  }

  // what somebody noted while recording: numbers as in the table of marks, words where there is room
  function drawNotes() {
    let free = -1;
    ctx.strokeStyle = colour.good; ctx.fillStyle = colour.ink; ctx.lineWidth = 1.4; ctx.textAlign = "left";
    data.marks.forEach(function (mark, k) {
      if (mark[0] < view.start || mark[0] > view.stop) return;
      const px = x(mark[0]), name = String(k + 1), words = name + " " + mark[1];
      ctx.setLineDash([5, 3]); ctx.beginPath(); ctx.moveTo(px, speedTop - 2); ctx.lineTo(px, height - 28); ctx.stroke();
      ctx.setLineDash([]);
      if (px + 3 < free) return;
      const next = data.marks[k + 1] ? x(data.marks[k + 1][0]) : width - right;
      const fits = px + 6 + ctx.measureText(words).width < Math.min(next, width - right);
      ctx.fillText(fits ? words : name, px + 3, speedTop - 4);
      free = px + 6 + ctx.measureText(fits ? words : name).width;
    });
  }

  function drawMark(i, dash) {
    if (i < 0 || at[i] < view.start || at[i] > view.stop) return;
    ctx.strokeStyle = colour.ink; ctx.lineWidth = 1; ctx.setLineDash(dash);
    ctx.beginPath(); ctx.moveTo(x(at[i]), speedTop); ctx.lineTo(x(at[i]), height - 28); ctx.stroke();
    ctx.setLineDash([]);
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
    pointed = i;
    out.textContent = clock(at[i], true) + "  cylinder " + owner[i] + ", " + chanceWords(i) + ", row " + row[i];
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
    view.start = a; view.stop = a + span;
    canvas.dataset.start = view.start.toFixed(3);
    canvas.dataset.span = (view.stop - view.start).toFixed(3); // for tests and for reading by machine
    draw();
  }
  function zoom(factor, centre) {
    const span = (view.stop - view.start) * factor;
    if (centre === undefined && selected >= 0 && at[selected] >= view.start && at[selected] <= view.stop) {
      show(at[selected] - span / 2, at[selected] + span / 2); // the chosen firing comes to the middle
      return;
    }
    const c = centre === undefined ? (view.start + view.stop) / 2 : centre;
    const share = (c - view.start) / (view.stop - view.start);
    show(c - share * span, c - share * span + span);
  }
  function pan(share) { const d = share * (view.stop - view.start); show(view.start + d, view.stop + d); }
  function bring(i) {
    const span = Math.min(view.stop - view.start, 20);
    if (at[i] < view.start || at[i] > view.stop || view.stop - view.start > 20) show(at[i] - span / 2, at[i] + span / 2);
    else draw();
  }
  function step(direction) {
    if (!lost.length) { out.textContent = "No lost combustion in this recording."; return; }
    const from = selected >= 0 ? at[selected] : (direction > 0 ? -1 : full + 1);
    let hit = -1;
    if (direction > 0) { for (const i of lost) if (at[i] > from) { hit = i; break; } }
    else { for (let k = lost.length - 1; k >= 0; k--) if (at[lost[k]] < from) { hit = lost[k]; break; } }
    if (hit < 0) hit = direction > 0 ? lost[0] : lost[lost.length - 1];
    select(hit);
  }
  function along(direction) {
    let i = selected < 0 ? first(view.start) : selected;
    const mine = selected < 0 ? 0 : owner[selected];
    do { i += direction; } while (i >= 0 && i < at.length && (!owner[i] || (mine && owner[i] !== mine)));
    if (i >= 0 && i < at.length) select(i);
  }
  listeners.push(function (i, keep) { say(i); if (keep) draw(); else bring(i); });

  const acts = {
    in: function () { zoom(0.5); }, out: function () { zoom(2); }, all: function () { show(0, full); },
    earlier: function () { pan(-0.4); }, later: function () { pan(0.4); },
    next: function () { step(1); }, previous: function () { step(-1); },
    after: function () { along(1); }, before: function () { along(-1); }
  };
  document.querySelectorAll("[data-act]").forEach(function (b) {
    b.addEventListener("click", function () { acts[b.dataset.act](); });
  });
  canvas.addEventListener("keydown", function (e) {
    const act = { ArrowLeft: "earlier", ArrowRight: "later", "+": "in", "=": "in", "-": "out", Home: "all",
      n: "next", p: "previous", ".": "after", ",": "before" }[e.key];
    if (act && !e.ctrlKey && !e.metaKey && !e.altKey) { e.preventDefault(); acts[act](); }
  });
  let drag = null;
  canvas.addEventListener("pointerdown", function (e) {
    drag = { px: e.offsetX, start: view.start, stop: view.stop, moved: false };
    canvas.setPointerCapture(e.pointerId);
  });
  canvas.addEventListener("pointermove", function (e) {
    if (drag) {
      if (Math.abs(drag.px - e.offsetX) < 4 && !drag.moved) return;
      drag.moved = true;
      const d = (drag.px - e.offsetX) / (width - left - right) * (drag.stop - drag.start);
      show(drag.start + d, drag.stop + d);
      return;
    }
    const i = nearest(e.offsetX, e.offsetY);
    if (i >= 0 && i !== pointed) { say(i); draw(); }
  });
  canvas.addEventListener("pointerup", function (e) {
    const i = drag && !drag.moved ? nearest(e.offsetX, e.offsetY) : -1;
    drag = null;
    if (i >= 0) select(i, true);
  });
  canvas.addEventListener("pointercancel", function () { drag = null; });
  canvas.addEventListener("dblclick", function (e) { zoom(0.4, time(e.offsetX)); });
  canvas.addEventListener("wheel", function (e) {
    if (!e.ctrlKey) return;
    e.preventDefault(); zoom(e.deltaY > 0 ? 1.25 : 0.8, time(e.offsetX));
  }, { passive: false });
