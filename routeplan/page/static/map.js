// The map: relief as one picture, streets drawn on canvas, coverage, rides and stations on top. Working metres inside.
//
// What is slow (relief, streets) is drawn into a picture of its own, larger than the window; moving the map shifts
// that picture, and it is drawn anew when the hand rests. So 200,000 streets do not slow a drag down.

import {getBytes, getBlob, getJson} from './api.js';

const PAD = 0.4;  // of the window, drawn beyond each of its edges
const TAP_PX = 18;

export class RideMap {
  constructor(canvas, handlers) {
    Object.assign(this, {canvas, handlers, stations: [], routes: [], chosen: null, at: null, marks: {}, grid: null});
    this.view = {x: 0, y: 0, scale: 0.02};  // middle [m], pixels a metre
    this.base = document.createElement('canvas');
    this.relief = {};
    this.turn = 0;
    new ResizeObserver(() => this.resize()).observe(canvas);
    matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => this.recolour());
    this.listen();
  }

  async open(key) {
    const turn = ++this.turn;
    this.key = key;
    const area = await getJson('/api/area', {area: key});
    if (turn !== this.turn) return area;
    this.area = area;
    this.streets = null;
    this.relief = {};
    this.grid = null;
    this.fit(area.roads_m);
    this.recolour();
    getBytes('/api/streets', {area: key}).then(bytes => {
      if (turn === this.turn) { this.streets = readStreets(bytes); this.redraw(); }
    }).catch(() => {});
    return area;
  }

  // --- view ---

  resize() {
    const ratio = Math.min(devicePixelRatio || 1, 2), box = this.canvas.getBoundingClientRect();
    if (!box.width) return;
    this.ratio = ratio;
    this.width = box.width;
    this.height = box.height;
    this.canvas.width = Math.round(box.width * ratio);
    this.canvas.height = Math.round(box.height * ratio);
    if (this.wanted) this.fit(this.wanted); else this.redraw();
  }

  fit([west, south, east, north]) {
    this.wanted = [west, south, east, north];
    if (!this.width) return;
    this.view = {x: (west + east) / 2, y: (south + north) / 2,
      scale: Math.min(this.width / Math.max(east - west, 500), this.height / Math.max(north - south, 500)) * 0.92};
    this.redraw();
  }

  fitRide() {
    const rides = this.routes.filter(r => r.id === this.chosen);
    const all = rides.length ? rides : this.routes;
    if (!all.length) return this.area && this.fit(this.area.roads_m);
    const x = all.flatMap(r => r.x), y = all.flatMap(r => r.y);
    for (const s of this.stations) {
      const reach = 0.6 * Math.max(Math.max(...x) - Math.min(...x), Math.max(...y) - Math.min(...y));
      if (s.x > Math.min(...x) - reach && s.x < Math.max(...x) + reach && s.y > Math.min(...y) - reach && s.y < Math.max(...y) + reach) { x.push(s.x); y.push(s.y); }
    }
    this.fit([Math.min(...x), Math.min(...y), Math.max(...x), Math.max(...y)]);
  }

  px(x, y) {
    const {view} = this;
    return [this.width / 2 + (x - view.x) * view.scale, this.height / 2 - (y - view.y) * view.scale];
  }

  metres(px, py) {
    return [this.view.x + (px - this.width / 2) / this.view.scale, this.view.y - (py - this.height / 2) / this.view.scale];
  }

  zoom(factor, px = this.width / 2, py = this.height / 2) {
    const [x, y] = this.metres(px, py), {view} = this;
    this.wanted = null;
    view.scale = Math.max(0.001, Math.min(2, view.scale * factor));
    view.x = x - (px - this.width / 2) / view.scale;
    view.y = y + (py - this.height / 2) / view.scale;
    this.paint();
    this.later();
  }

  move(dx, dy) {
    this.wanted = null;
    this.view.x -= dx / this.view.scale;
    this.view.y += dy / this.view.scale;
    this.paint();
    this.later();
  }

  later() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.redraw(), 120);
  }

  // --- colours ---

  recolour() {
    const style = getComputedStyle(document.documentElement);
    this.ink = Object.fromEntries(['paper', 'ink', 'ground', 'quiet', 'hair', 'wash', 'water', 'accent0', 'accent1', 'accent2', 'accent3']
      .map(name => [name, style.getPropertyValue(`--${name}`).trim()]));
    const dark = style.getPropertyValue('--dark').trim() === '1' ? '1' : '0';
    this.dark = dark;
    if (this.key && !this.relief[dark]) {
      const key = this.key;
      getBlob('/api/relief', {area: key, dark}).then(createImageBitmap).then(image => {
        if (key === this.key) { this.relief[dark] = image; this.redraw(); }
      }).catch(() => {});
    }
    this.redraw();
  }

  // --- the slow picture ---

  redraw() {
    if (!this.width || !this.ink) return;
    const {base, view, ratio} = this, wide = this.width * (1 + 2 * PAD), tall = this.height * (1 + 2 * PAD);
    base.width = Math.round(wide * ratio);
    base.height = Math.round(tall * ratio);
    this.baseView = {...view, wide, tall};
    const ctx = base.getContext('2d');
    ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
    const px = (x, y) => [wide / 2 + (x - view.x) * view.scale, tall / 2 - (y - view.y) * view.scale];
    const image = this.relief[this.dark];
    if (image && this.area) {
      const [west, south, east, north] = this.area.relief_m, [a, b] = px(west, north), [c, d] = px(east, south);
      ctx.drawImage(image, a, b, c - a, d - b);
    }
    if (this.streets) this.drawStreets(ctx, wide, tall, view);
    this.paint();
  }

  drawStreets(ctx, wide, tall, view) {
    const {n, first, xy, rank, box} = this.streets, {scale} = view;
    const west = view.x - wide / 2 / scale, east = view.x + wide / 2 / scale;
    const south = view.y - tall / 2 / scale, north = view.y + tall / 2 / scale;
    const ox = wide / 2 - view.x * scale, oy = tall / 2 + view.y * scale;
    const seen = [0, 0, 0];
    for (let k = 0; k < n; k++) {
      if (box[4 * k] < east && box[4 * k + 2] > west && box[4 * k + 1] < north && box[4 * k + 3] > south) seen[rank[k]]++;
    }
    // Of very many streets the small ones are left out until one looks closer.
    const lowest = seen[0] + seen[1] + seen[2] < 25000 ? 0 : seen[1] + seen[2] < 25000 ? 1 : 2;
    const widths = [0.6, 0.9, 1.6], shades = [0.55, 0.8, 0.95];
    ctx.strokeStyle = this.ink.hair;
    ctx.lineJoin = 'round';
    let at = -1;
    for (let k = 0; k < n; k++) {
      if (rank[k] < lowest) continue;
      if (!(box[4 * k] < east && box[4 * k + 2] > west && box[4 * k + 1] < north && box[4 * k + 3] > south)) continue;
      if (rank[k] !== at) {
        if (at >= 0) ctx.stroke();
        at = rank[k];
        ctx.beginPath();
        ctx.lineWidth = widths[at] * Math.min(2.4, Math.max(1, scale * 14));
        ctx.globalAlpha = shades[at];
      }
      let i = first[k];
      ctx.moveTo(ox + xy[2 * i] * scale, oy - xy[2 * i + 1] * scale);
      for (i++; i < first[k + 1]; i++) ctx.lineTo(ox + xy[2 * i] * scale, oy - xy[2 * i + 1] * scale);
    }
    if (at >= 0) ctx.stroke();
    ctx.globalAlpha = 1;
  }

  // --- the quick picture ---

  paint() {
    if (this.painting) return;
    this.painting = requestAnimationFrame(() => { this.painting = 0; this.paintNow(); });
  }

  paintNow() {
    if (!this.width || !this.ink) return;
    const ctx = this.canvas.getContext('2d'), {ink, view} = this;
    ctx.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    ctx.fillStyle = ink.paper;
    ctx.fillRect(0, 0, this.width, this.height);
    if (this.baseView) {
      const b = this.baseView, grow = view.scale / b.scale;
      const [mx, my] = this.px(b.x, b.y);
      ctx.drawImage(this.base, mx - b.wide * grow / 2, my - b.tall * grow / 2, b.wide * grow, b.tall * grow);
    }
    this.paintGrid(ctx);
    this.paintPlaces(ctx);
    for (const route of this.routes) if (route.id !== this.chosen) this.paintThin(ctx, route);
    const chosen = this.routes.find(r => r.id === this.chosen);
    if (chosen) this.paintRide(ctx, chosen);
    this.paintMarks(ctx);
    this.stations.forEach((s, k) => this.paintStation(ctx, s, k));
    if (chosen && this.at !== null) {
      const [x, y] = this.px(chosen.x[this.at], chosen.y[this.at]);
      ring(ctx, x, y, 8, ink.paper, 6);
      ring(ctx, x, y, 8, ink.ink, 2.5);
    }
    if (this.picking) this.paintCross(ctx);
    this.paintScale(ctx);
  }

  paintGrid(ctx) {
    const {grid, ink} = this;
    if (!grid) return;
    const [a, b] = this.px(grid.west_m - grid.step_x_m / 2, grid.north_m + grid.step_y_m / 2);
    const w = grid.cols * grid.step_x_m * this.view.scale, h = grid.rows * grid.step_y_m * this.view.scale;
    ctx.save();
    ctx.imageSmoothingEnabled = true;
    ctx.globalAlpha = this.dark === '1' ? 0.4 : 0.25;
    ctx.drawImage(this.tinted(grid), a, b, w, h);
    ctx.globalAlpha = 0.85;
    ctx.strokeStyle = ink.ink;
    ctx.lineWidth = 1.1;
    for (const [level, dash] of [[grid.level ?? 0.9, [5, 3]], [0.5, [1, 3]]]) {
      ctx.setLineDash(dash);
      ctx.stroke(this.contour(grid, level));
    }
    ctx.restore();
  }

  tinted(grid) {
    if (grid.image && grid.imageOf === this.dark) return grid.image;
    const canvas = document.createElement('canvas');
    canvas.width = grid.cols;
    canvas.height = grid.rows;
    const ctx = canvas.getContext('2d'), data = ctx.createImageData(grid.cols, grid.rows);
    const hex = this.ink.accent0, rgb = [1, 3, 5].map(k => parseInt(hex.slice(k, k + 2), 16));
    for (let i = 0; i < grid.values.length; i++) {
      const value = grid.values[i];
      data.data.set([...rgb, value === 255 ? 0 : Math.round(value / 200 * 255)], 4 * i);
    }
    ctx.putImageData(data, 0, 0);
    grid.image = canvas;
    grid.imageOf = this.dark;
    return canvas;
  }

  contour(grid, level) {
    const {values, rows, cols} = grid, want = level * 200, path = new Path2D();
    const at = (r, c) => this.px(grid.west_m + c * grid.step_x_m, grid.north_m - r * grid.step_y_m);
    const cut = (r0, c0, r1, c1) => {
      const a = values[r0 * cols + c0], b = values[r1 * cols + c1], t = (want - a) / (b - a);
      return at(r0 + (r1 - r0) * t, c0 + (c1 - c0) * t);
    };
    for (let r = 0; r < rows - 1; r++) {
      for (let c = 0; c < cols - 1; c++) {
        const q = [values[r * cols + c], values[r * cols + c + 1], values[(r + 1) * cols + c + 1], values[(r + 1) * cols + c]];
        if (q.includes(255)) continue;
        const above = q.map(v => v >= want);
        if (above.every(v => v === above[0])) continue;
        const edges = [[r, c, r, c + 1], [r, c + 1, r + 1, c + 1], [r + 1, c + 1, r + 1, c], [r + 1, c, r, c]];
        const cuts = edges.filter((_, k) => above[k] !== above[(k + 1) % 4]).map(edge => cut(...edge));
        for (let k = 0; k + 1 < cuts.length; k += 2) { path.moveTo(...cuts[k]); path.lineTo(...cuts[k + 1]); }
      }
    }
    return path;
  }

  paintPlaces(ctx) {
    if (!this.area) return;
    const {ink} = this;
    const ridden = this.riddenCells();
    const kept = [[0, this.height - 36, 150, this.height], [this.width - 52, 0, this.width, 132]];  // the scale, the buttons
    const round = (m, wide) => { const [x, y] = this.px(m.x, m.y); return [x - wide, y - 28, x + wide, y + 28]; };
    const taken = [...kept, ...Object.values(this.marks).filter(Boolean).map(m => round(m, 24)), ...this.stations.map(m => round(m, 34))];
    ctx.textAlign = 'center';
    ctx.lineJoin = 'round';
    const shown = [];
    for (const [name, kind, x, y] of this.area.places) {
      if (this.view.scale < {city: 0, town: 0, village: 0.008, hamlet: 0.025, peak: 0.02}[kind]) continue;
      const [px, py] = this.px(x, y);
      if (px < 0 || py < 0 || px > this.width || py > this.height) continue;
      shown.push([name, kind, px, py]);
      taken.push([px - 2, py - 2, px + 2, py + 2]);  // no name stands on another's dot
    }
    ctx.fillStyle = ink.ink;
    for (const [name, kind, px, py] of shown) {
      ctx.font = `${kind === 'peak' ? 'italic ' : ''}11px system-ui, sans-serif`;
      const half = ctx.measureText(name).width / 2 + 3;
      // Above its dot, else below or beside it: where no other word and no ride runs, and all of it can be read.
      const at = [[0, -5], [0, 15], [half + 5, 4], [-half - 5, 4]].map(([dx, dy]) => [px + dx, py + dy]).find(([x, y]) => {
        const box = [x - half, y - 11, x + half, y + 3];
        return box[0] > 0 && box[1] > 0 && box[2] < this.width && box[3] < this.height
          && !taken.some(t => t[0] < box[2] && t[2] > box[0] && t[1] < box[3] && t[3] > box[1]) && !ridden(box);
      });
      if (at) {
        const [x, y] = at;
        taken.push([x - half, y - 11, x + half, y + 3]);
        ctx.strokeStyle = ink.paper;
        ctx.lineWidth = 3;
        ctx.strokeText(name, x, y);
        ctx.fillText(name, x, y);
      }
      ctx.beginPath();
      ctx.arc(px, py, 1.6, 0, 7);
      ctx.fill();
    }
  }

  // Whether the chosen ride runs through a box of the window: asked of a grid of cells that it touches.
  riddenCells() {
    const route = this.routes.find(r => r.id === this.chosen), cell = 6, cells = new Set();
    if (route) {
      let [ax, ay] = this.px(route.x[0], route.y[0]);
      for (let k = 1; k < route.x.length; k++) {
        const [bx, by] = this.px(route.x[k], route.y[k]), steps = Math.min(200, Math.ceil(Math.hypot(bx - ax, by - ay) / cell) || 1);
        for (let i = 0; i <= steps; i++) cells.add(`${Math.floor((ax + (bx - ax) * i / steps) / cell)},${Math.floor((ay + (by - ay) * i / steps) / cell)}`);
        [ax, ay] = [bx, by];
      }
    }
    return box => {
      for (let x = Math.floor(box[0] / cell); x <= Math.floor(box[2] / cell); x++) {
        for (let y = Math.floor(box[1] / cell); y <= Math.floor(box[3] / cell); y++) if (cells.has(`${x},${y}`)) return true;
      }
      return false;
    };
  }

  line(route, from = 0, to = route.x.length - 1) {
    const path = new Path2D();
    for (let k = from; k <= to; k++) {
      const [x, y] = this.px(route.x[k], route.y[k]);
      if (k === from) path.moveTo(x, y); else path.lineTo(x, y);
    }
    return path;
  }

  paintThin(ctx, route) {
    ctx.strokeStyle = this.ink.quiet;
    ctx.lineWidth = 1.4;
    ctx.setLineDash([]);
    ctx.stroke(this.line(route));
  }

  // In contact a full line, weak a thin one, dead round dots; doubled where ridden again; short bars on foot.
  paintRide(ctx, route) {
    const {ink} = this;
    ctx.save();
    ctx.lineCap = ctx.lineJoin = 'round';
    ctx.strokeStyle = ink.paper;
    ctx.globalAlpha = 0.85;
    ctx.lineWidth = 7;
    ctx.stroke(this.line(route));
    ctx.globalAlpha = 1;
    const kind = k => route.p[k] === null ? -1 : route.p[k] >= (this.level ?? 0.9) ? 2 : route.p[k] >= 0.5 ? 1 : 0;
    for (let a = 0; a < route.x.length - 1;) {
      let b = a + 1;
      while (b < route.x.length - 1 && kind(b) === kind(a) && route.again[b] === route.again[a]) b++;
      const path = this.line(route, a, b), form = kind(a);
      ctx.strokeStyle = ink.ink;
      ctx.setLineDash(form === 0 ? [0, 7] : form === -1 ? [3, 3] : []);
      ctx.lineWidth = {2: 3.6, 1: 1.5, 0: 3.8, '-1': 1}[form] * (route.again[a] ? 1.7 : 1);
      ctx.stroke(path);
      if (route.again[a] && form !== 0) {
        ctx.strokeStyle = ink.paper;
        ctx.lineWidth = form === 2 ? 2.4 : 1;
        ctx.setLineDash([]);
        ctx.stroke(path);
      }
      a = b;
    }
    ctx.setLineDash([]);
    ctx.strokeStyle = ctx.fillStyle = ink.ink;
    this.paintAlong(ctx, route);
    ctx.restore();
  }

  paintAlong(ctx, route) {
    let since = 70, bars = 0;
    for (let k = 1; k < route.x.length; k++) {
      const [ax, ay] = this.px(route.x[k - 1], route.y[k - 1]), [bx, by] = this.px(route.x[k], route.y[k]);
      const length = Math.hypot(bx - ax, by - ay);
      if (length < 0.01) continue;
      const ux = (bx - ax) / length, uy = (by - ay) / length;
      since += length;
      bars += length;
      if (route.walk[k] && bars > 5) {
        bars = 0;
        ctx.lineWidth = 1.2;
        ctx.beginPath();
        ctx.moveTo(bx + uy * 5, by - ux * 5);
        ctx.lineTo(bx - uy * 5, by + ux * 5);
        ctx.stroke();
      }
      if (since > 130) {
        since = 0;
        const x = bx - uy * 8, y = by + ux * 8;
        ctx.beginPath();
        ctx.moveTo(x + ux * 5, y + uy * 5);
        ctx.lineTo(x - ux * 4 - uy * 3.4, y - uy * 4 + ux * 3.4);
        ctx.lineTo(x - ux * 4 + uy * 3.4, y - uy * 4 - ux * 3.4);
        ctx.fill();
      }
    }
  }

  paintMarks(ctx) {
    const {ink} = this;
    for (const [what, at] of Object.entries(this.marks)) {
      if (!at) continue;
      const [x, y] = this.px(at.x, at.y);
      ctx.fillStyle = ink.paper;
      ctx.beginPath(); ctx.arc(x, y, 7, 0, 7); ctx.fill();
      ring(ctx, x, y, 7, ink.ink, 2);
      this.word(ctx, what, x, y + 20, ink.ink);
    }
  }

  paintStation(ctx, s, k) {
    const [x, y] = this.px(s.x, s.y), colour = this.ink[`accent${k % 4}`];
    ctx.beginPath();
    corners(s.marker, x, y, 8).forEach(([a, b], i) => i ? ctx.lineTo(a, b) : ctx.moveTo(a, b));
    ctx.closePath();
    ctx.lineWidth = 3;
    ctx.strokeStyle = this.ink.paper;
    ctx.stroke();
    ctx.fillStyle = colour;
    ctx.fill();
    this.word(ctx, s.name, x, y < 26 ? y + 22 : y - 13, colour, true);
  }

  word(ctx, text, x, y, colour, bold = false) {
    ctx.font = `${bold ? '600 ' : ''}12px system-ui, sans-serif`;
    ctx.textAlign = 'center';
    const half = ctx.measureText(text).width / 2 + 3;
    if (x > 0 && x < this.width) x = Math.max(half, Math.min(this.width - half, x));
    ctx.lineWidth = 3.5;
    ctx.strokeStyle = this.ink.paper;
    ctx.strokeText(text, x, y);
    ctx.fillStyle = colour;
    ctx.fillText(text, x, y);
  }

  paintCross(ctx) {
    const x = this.width / 2, y = this.height / 2;
    ctx.strokeStyle = this.ink.ink;
    ctx.lineWidth = 1.5;
    ctx.beginPath();
    ctx.moveTo(x - 14, y); ctx.lineTo(x + 14, y); ctx.moveTo(x, y - 14); ctx.lineTo(x, y + 14);
    ctx.stroke();
  }

  paintScale(ctx) {
    const metres = this.unit?.metres ?? 1000, most = 110 / this.view.scale / metres;
    const power = 10 ** Math.floor(Math.log10(most)), nice = [5, 2, 1].map(k => k * power).find(k => k <= most);
    const width = nice * metres * this.view.scale, x = 10, y = this.height - 12;
    ctx.strokeStyle = this.ink.paper; ctx.lineWidth = 5;
    const draw = () => { ctx.beginPath(); ctx.moveTo(x, y - 4); ctx.lineTo(x, y); ctx.lineTo(x + width, y); ctx.lineTo(x + width, y - 4); ctx.stroke(); };
    draw();
    ctx.strokeStyle = this.ink.ink; ctx.lineWidth = 1.4;
    draw();
    ctx.textAlign = 'left';
    ctx.font = '11px system-ui, sans-serif';
    ctx.lineWidth = 3; ctx.strokeStyle = this.ink.paper;
    ctx.strokeText(`${nice} ${this.unit?.name ?? 'km'}`, x + 4, y - 6);
    ctx.fillStyle = this.ink.ink;
    ctx.fillText(`${nice} ${this.unit?.name ?? 'km'}`, x + 4, y - 6);
  }

  // --- hands and keys ---

  // Let the rider point at a place; `done(x, y)` in metres. Enter takes the middle of the map, Escape nothing.
  pick(prompt, done) {
    this.picking = {prompt, done};
    this.handlers.prompt(prompt);
    this.canvas.focus({preventScroll: false});
    this.paint();
  }

  picked(x, y) {
    const {done} = this.picking;
    this.picking = null;
    this.handlers.prompt(null);
    this.paint();
    if (x !== undefined) done(x, y);
  }

  listen() {
    const {canvas} = this, hands = new Map();
    let drag = null, spread = 0;
    const where = event => { const box = canvas.getBoundingClientRect(); return [event.clientX - box.left, event.clientY - box.top]; };
    canvas.addEventListener('pointerdown', event => {
      const at = where(event);
      hands.set(event.pointerId, at);
      canvas.setPointerCapture(event.pointerId);
      const station = this.picking ? -1 : this.stationAt(...at);
      drag = {at, from: at, station, moved: false};
    });
    canvas.addEventListener('pointermove', event => {
      const at = where(event);
      if (!hands.has(event.pointerId)) { canvas.style.cursor = this.picking ? 'crosshair' : this.stationAt(...at) >= 0 ? 'grab' : ''; return this.hover(...at); }
      hands.set(event.pointerId, at);
      if (hands.size === 2) {
        const [a, b] = [...hands.values()], now = Math.hypot(a[0] - b[0], a[1] - b[1]);
        if (spread) this.zoom(now / spread, (a[0] + b[0]) / 2, (a[1] + b[1]) / 2);
        spread = now;
        if (drag) drag.moved = true;
        return;
      }
      if (!drag) return;
      if (Math.hypot(at[0] - drag.from[0], at[1] - drag.from[1]) > 4) drag.moved = true;
      if (!drag.moved) return;
      if (drag.station >= 0) {
        const station = this.stations[drag.station], [x, y] = this.metres(...at);
        Object.assign(station, {x, y});
        this.handlers.dragged(drag.station, x, y, false);
        this.paint();
      } else this.move(at[0] - drag.at[0], at[1] - drag.at[1]);
      drag.at = at;
    });
    const up = event => {
      const at = where(event);
      hands.delete(event.pointerId);
      spread = 0;
      if (!drag || hands.size) return;
      const {station, moved} = drag;
      drag = null;
      if (event.type === 'pointercancel') return;
      if (station >= 0 && moved) this.handlers.dragged(station, this.stations[station].x, this.stations[station].y, true);
      else if (!moved && this.picking) this.picked(...this.metres(...at));
      else if (!moved) this.hover(...at);
    };
    canvas.addEventListener('pointerup', up);
    canvas.addEventListener('pointercancel', up);
    canvas.addEventListener('wheel', event => {
      event.preventDefault();
      this.zoom(Math.exp(-event.deltaY * (event.ctrlKey ? 0.01 : 0.0015)), ...where(event));
    }, {passive: false});
    canvas.addEventListener('keydown', event => {
      const step = {ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60]}[event.key];
      if (step) this.move(...step);
      else if (event.key === '+' || event.key === '=') this.zoom(1.5);
      else if (event.key === '-') this.zoom(1 / 1.5);
      else if (event.key === 'Enter' && this.picking) this.picked(this.view.x, this.view.y);
      else if (event.key === 'Escape' && this.picking) this.picked();
      else return;
      event.preventDefault();
    });
  }

  stationAt(px, py) {
    let best = -1, least = TAP_PX;
    this.stations.forEach((s, k) => {
      const [x, y] = this.px(s.x, s.y), far = Math.hypot(x - px, y - py);
      if (far < least) { least = far; best = k; }
    });
    return best;
  }

  hover(px, py) {
    const route = this.routes.find(r => r.id === this.chosen);
    if (!route) return;
    let best = -1, least = 30 ** 2;
    for (let k = 0; k < route.x.length; k++) {
      const [x, y] = this.px(route.x[k], route.y[k]), far = (x - px) ** 2 + (y - py) ** 2;
      if (far < least) { least = far; best = k; }
    }
    if (best >= 0) { this.at = best; this.handlers.pointed(best); this.paint(); }
  }
}

function ring(ctx, x, y, r, colour, width) {
  ctx.beginPath();
  ctx.arc(x, y, r, 0, 7);
  ctx.strokeStyle = colour;
  ctx.lineWidth = width;
  ctx.setLineDash([]);
  ctx.stroke();
}

// The marker forms of the pictures: triangle, square, diamond, pentagon, cross, circle.
export function corners(form, x, y, r) {
  if (form === 'cross') {
    const t = r * 0.38;
    return [[-t, -r], [t, -r], [t, -t], [r, -t], [r, t], [t, t], [t, r], [-t, r], [-t, t], [-r, t], [-r, -t], [-t, -t]].map(([a, b]) => [x + a, y + b]);
  }
  const [count, turn, grow] = {triangle: [3, -90, 1.25], square: [4, -45, 1.1], diamond: [4, -90, 1.1], pentagon: [5, -90, 1]}[form] ?? [24, 0, 1];
  return Array.from({length: count}, (_, k) => {
    const angle = (turn + 360 * k / count) * Math.PI / 180;
    return [x + grow * r * Math.cos(angle), y + grow * r * Math.sin(angle)];
  });
}

function readStreets(bytes) {
  const [n, p] = new Uint32Array(bytes, 0, 2), first = new Uint32Array(bytes, 8, n + 1);
  const xy = new Float32Array(bytes, 8 + 4 * (n + 1), 2 * p), rank = new Uint8Array(bytes, 8 + 4 * (n + 1) + 8 * p, n);
  const box = new Float32Array(4 * n);
  for (let k = 0; k < n; k++) {
    let west = Infinity, south = Infinity, east = -Infinity, north = -Infinity;
    for (let i = first[k]; i < first[k + 1]; i++) {
      const x = xy[2 * i], y = xy[2 * i + 1];
      if (x < west) west = x;
      if (x > east) east = x;
      if (y < south) south = y;
      if (y > north) north = y;
    }
    box.set([west, south, east, north], 4 * k);
  }
  return {n, first, xy, rank, box};
}
