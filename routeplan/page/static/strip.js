// The ride strip: a picture from the server with a cursor on it, linked to the map by distance along the ride.

import {picture} from './api.js';
import {high, long, unit} from './model.js';

const NS = 'http://www.w3.org/2000/svg';

export class Strip {
  constructor(box, readout, onPlace) {
    Object.assign(this, {box, readout, onPlace, at: null});
    box.tabIndex = 0;
    box.setAttribute('role', 'slider');
    box.setAttribute('aria-label', 'Place along the ride; arrow keys move it');
    box.setAttribute('aria-valuemin', '0');
    box.addEventListener('pointermove', event => this.point(event));
    box.addEventListener('pointerdown', event => this.point(event));
    box.addEventListener('keydown', event => {
      const step = {ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 10, PageDown: -10}[event.key];
      const last = this.route ? this.route.d.length - 1 : 0;
      if (event.key === 'Home' || event.key === 'End') this.show(event.key === 'Home' ? 0 : last, true);
      else if (step) this.show((this.at ?? 0) + step * Math.max(1, Math.round(last / 100)), true);
      else return;
      event.preventDefault();
    });
  }

  async draw(search, route, planSeq) {
    const same = this.route && this.route.key === route.key && this.search === search;
    this.search = search;
    this.route = route;
    this.box.setAttribute('aria-valuemax', String(route.d.length - 1));
    const width = Math.round(Math.max(340, Math.min(1600, this.box.clientWidth)));
    const svg = await picture(`/api/search/${search}/strip.svg`, {route: route.id, width, unit: unit.choice, seq: planSeq});
    if (this.route !== route) return;
    this.svg = svg;
    this.cursor = document.createElementNS(NS, 'line');
    this.cursor.setAttribute('class', 'cursor');
    svg.append(this.cursor);
    this.box.replaceChildren(svg);
    this.width = width;
    this.show(same ? this.at : null, false);
  }

  point(event) {
    if (!this.svg || !this.route) return;
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.svg.getScreenCTM().inverse());
    const {left, right, end} = this.svg.dataset;
    const seconds = (point.x - left) / (right - left) * end;
    this.show(nearest(this.route.t, seconds), true);
  }

  // Put the cursor at row k of the ride's columns; tell: whether the map is to follow.
  show(k, tell) {
    const route = this.route;
    if (!route || !this.svg) return;
    if (k === null) {
      this.cursor.setAttribute('visibility', 'hidden');
      this.readout.textContent = 'Point at the strip, or use the arrow keys on it, to see a place.';
      return;
    }
    this.at = k = Math.max(0, Math.min(route.d.length - 1, k));
    const {left, right, end, top, bottom} = this.svg.dataset;
    const x = Number(left) + (right - left) * route.t[k] / end;
    for (const [name, value] of [['x1', x], ['x2', x], ['y1', top], ['y2', bottom], ['visibility', 'visible']]) {
      this.cursor.setAttribute(name, value);
    }
    const said = describe(route, k);
    this.readout.textContent = said;
    this.box.setAttribute('aria-valuenow', String(k));
    this.box.setAttribute('aria-valuetext', said);
    if (tell) this.onPlace(k);
  }
}

export function nearest(column, value) {
  let low = 0, high = column.length - 1;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (column[middle] < value) low = middle; else high = middle;
  }
  return value - column[low] < column[high] - value ? low : high;
}

function describe(route, k) {
  const [hour, minute] = route.leaves.split(':').map(Number);
  const total = Math.round(hour * 60 + minute + route.t[k] / 60);
  const words = [`${String(Math.floor(total / 60) % 24).padStart(2, '0')}:${String(total % 60).padStart(2, '0')}`, long(route.d[k])];
  const road = route.roads.find(run => run[0] <= route.d[k] && route.d[k] <= run[1]);
  if (road) words.push(road[2]);
  if (route.z[k] !== null) words.push(`${high(route.z[k])} high`);
  for (const [name, chance] of Object.entries(route.s)) {
    words.push(`${name} ${chance[k] === null ? 'no data' : `${Math.round(chance[k] * 10)} in 10`}`);
  }
  if (route.walk[k]) words.push('on foot');
  return words.join(' \u00b7 ');
}
