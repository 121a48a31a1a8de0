// The trade-off picture and the list beside it: pick a ring or a line, see the ride.

import {picture} from './api.js';
import {explainer, make} from './form.js';
import {high, inUnit, long, unit} from './model.js';

export class Chooser {
  constructor(boxes, onChoose) {
    Object.assign(this, boxes, {onChoose, chosen: null, plan: null, drawn: null});
  }

  async draw(search, plan, planSeq, figures) {
    this.explained = figures;
    const before = new Set(this.plan?.routes.map(r => r.key) ?? []);
    const fresh = this.drawn === search ? plan.routes.filter(r => !before.has(r.key)).map(r => r.id) : [];
    this.plan = plan;
    this.drawn = search;
    if (!plan.routes.some(r => r.id === this.chosen)) this.chosen = plan.routes[0]?.id ?? null;
    this.sentence.textContent = inUnit(plan.sentence);
    const held = this.list.contains(document.activeElement);
    this.list.replaceChildren(...plan.routes.map(route => this.line(route, fresh.includes(route.id))));
    if (held) this.list.querySelector('input:checked')?.focus();
    clearTimeout(this.fading);
    this.fading = setTimeout(() => this.list.querySelectorAll('.fresh').forEach(tag => tag.remove()), 8000);
    await this.drawPicture(search, planSeq);
  }

  line(route, fresh) {
    const input = make('input', {type: 'radio', name: 'choice', value: route.id, checked: route.id === this.chosen,
      onchange: () => this.choose(route.id)});
    return make('label', {class: 'choice'}, input, make('span', {class: 'ring'}, route.id),
      make('span', {}, make('b', {}, inUnit(route.headline)), fresh ? make('span', {class: 'fresh'}, 'new') : null, make('br'), make('span', {class: 'quiet'}, inUnit(route.why))));
  }

  async drawPicture(search, planSeq) {
    const turn = this.turn = (this.turn ?? 0) + 1;
    if (!this.box.firstChild) this.box.append(make('span'));  // an empty box takes no room and cannot be measured
    const width = Math.round(Math.max(320, Math.min(640, this.box.clientWidth)));
    const svg = await picture(`/api/search/${search}/trade_off.svg`, {width, chosen: this.chosen ?? '', seq: planSeq});
    if (turn !== this.turn) return;
    this.search = search;
    this.seq = planSeq;
    const {width: w, height: h} = svg.viewBox.baseVal;
    const rings = (svg.dataset.rings ?? '').split(' ').filter(Boolean).map(item => {
      const [id, x, y] = item.split(':');
      const button = make('button', {type: 'button', class: 'spot', tabindex: '-1', 'aria-hidden': 'true', title: `Choice ${id}`,
        onclick: () => this.choose(id, true)});
      button.style.left = `${100 * x / w}%`;
      button.style.top = `${100 * y / h}%`;
      return button;
    });
    this.box.replaceChildren(svg, ...rings);
  }

  choose(id, focus = false) {
    this.chosen = id;
    for (const input of this.list.querySelectorAll('input')) input.checked = input.value === id;
    if (focus) this.list.querySelector('input:checked')?.focus({preventScroll: true});
    if (this.search) this.drawPicture(this.search, this.seq).catch(() => {});
    this.onChoose(this.plan.routes.find(r => r.id === id));
  }
}

// The figures of a ride, each with what it means.
export function drawFigures(box, route, figures) {
  const rows = [
    ['length', long(route.length_m)],
    ['time', route.time, `${route.range}; leave ${route.leaves}, back ${route.back}`],
    ['effort', `${route.effort_kj} kJ`],
    ['climb', `${high(route.climb_m)} (\u00b1${high(route.climb_uncertainty_m).split(' ')[0]})`],
    ['hard', `${route.hard_min} min`],
    ['contact', route.contact.replace(/ \(.*/, ''), `${route.contact.replace(/^[^(]*/, '')} ${route.net ? 'of the net' : 'of the ride'}`],
    ['usable', `${route.usable_min} min`],
    ['dead', `${route.dead_min} min`, `longest ${route.longest_dead_min} min`],
    ['turns', `${(route.turns_per_km * unit.metres / 1000).toFixed(1)} a ${unit.name === 'km' ? 'km' : 'mile'}`],
    ['repeated', long(route.repeated_m)],
    ['battery', `${route.battery} % used`],
  ];
  box.replaceChildren(...rows.map(([key, value, more]) => make('div', {},
    explainer(figures[key]?.[0] ?? key, figures[key]?.[1], 'dt'),
    make('dd', {}, value, more ? make('small', {}, more) : null))));
}

const table = (head, lines) => make('div', {class: 'table'}, make('table', {},
  make('thead', {}, make('tr', {}, ...head.map(text => make('th', {scope: 'col'}, text)))),
  make('tbody', {}, ...lines.map(line => make('tr', {}, ...line.map(cell => make('td', {}, String(cell))))))));

// Overs, dead stretches, calling places, what would change the answer, what the plan rests on, cautions.
export function drawMore(box, plan, route) {
  const parts = [make('p', {}, route.spoken)];
  const add = (title, ...body) => parts.push(make('div', {}, make('h3', {}, title), ...body));
  const km = metres => (metres / unit.metres).toFixed(1);
  if (route.overs.length) add('Overs: when to talk', table(['', 'from, to', unit.name, 'time', 'best'],
    route.overs.map(s => [s.label, `${s.from}\u2011${s.to}`, km(s.km * 1000), `${s.min}\u00a0min`, s.where])));
  if (route.dead.length) add('Dead stretches', table(['', 'last call', 'back at', 'time', 'where'],
    route.dead.map(s => [s.label, s.from, s.to, `${s.min}\u00a0min`, s.where])));
  if (route.calls.length) add('Calling places', table(['at', unit.name, 'place', 'call', 'chance'],
    route.calls.map(c => [c.at, km(c.m), c.name, c.best, c.chance === null ? 'no\u00a0data' : c.chance > 9 ? 'nearly sure' : `${c.chance}\u00a0in\u00a010`])));
  if (plan.what_if.length) add(`What would change ${plan.routes[0].id}`, table(['change', 'minutes of contact'],
    plan.what_if.map(([text, minutes]) => [text, minutes > 0 ? `+${minutes}` : minutes])));
  const guesses = plan.assumptions.filter(a => a[3]);
  if (plan.notes.length) add('How it was found', ...plan.notes.map(text => make('p', {}, inUnit(text))));
  if (guesses.length) {
    parts.push(make('details', {}, make('summary', {}, `${guesses.length} things were guessed, for the ride file does not say`),
      table(['what', 'taken as', 'from'], guesses.map(a => [a[0], a[1], a[2]]))));
  }
  add('Cautions', make('dl', {}, ...plan.cautions.flatMap(([topic, text]) => [make('dt', {}, topic), make('dd', {}, text)])));
  box.replaceChildren(...parts);
}
