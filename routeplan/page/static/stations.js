// Stations as rows: the same as on the map, with names, places and plain words.

import {field, make, told, explainer} from './form.js';
import {changed, get, ride, set} from './model.js';
import {corners} from './map.js';

export const MARKERS = ['triangle', 'square', 'diamond', 'pentagon', 'cross', 'circle'];
const NS = 'http://www.w3.org/2000/svg';

function marker(k) {
  const svg = document.createElementNS(NS, 'svg'), form = document.createElementNS(NS, 'polygon');
  svg.setAttribute('viewBox', '0 0 24 24');
  svg.setAttribute('class', `marker accent${k % 4}`);
  svg.setAttribute('aria-hidden', 'true');
  form.setAttribute('points', corners(MARKERS[k % MARKERS.length], 12, 12, 8).map(p => p.map(v => v.toFixed(1)).join(',')).join(' '));
  svg.append(form);
  return svg;
}

export function drawStations(box, pickOnMap, seen) {
  const stations = ride.tables.station ?? [], of = k => seen[k] ?? {};
  const open = new Set([...box.querySelectorAll('details[open]')].map(d => d.dataset.row));
  box.replaceChildren(...stations.map((station, k) => {
    const at = `station.${k}`, label = station.name || `station ${k + 1}`;
    const more = make('details', {'data-row': String(k)}, make('summary', {}, 'More'),
      make('div', {class: 'fields'},
        field(`${at}.antenna_height_m`, 'number', {label: 'Antenna height', unit: 'm', placeholder: 'by kind'}),
        field(`${at}.transmit_w`, 'number', {label: 'Power', unit: 'W', placeholder: 'by kind'}),
        field(`${at}.hears_mhz`, 'number', {label: 'Repeater hears', unit: 'MHz'}),
        field(`${at}.talks_mhz`, 'number', {label: 'Repeater talks', unit: 'MHz'}),
        field(`${at}.access`, 'text', {label: 'Opened by'}),
        reaches(at, station, stations)));
    more.open = open.has(String(k));
    const remove = make('button', {type: 'button', class: 'small remove', 'aria-label': `Remove ${label}`, onclick: () => {
      stations.splice(k, 1);
      if (!stations.length) delete ride.tables.station;
      mendNames(station.name);
      changed('station');
    }}, 'Remove');
    const name = field(`${at}.name`, 'text', {bare: true, label: `Name of station ${k + 1}`});
    let before = station.name;
    name.addEventListener('change', () => { rename(before, name.value.trim()); before = name.value.trim(); }, true);
    const place = field(`${at}.position`, 'place', {bare: true, label: `Place of ${label}: locator, or latitude and longitude`});
    return make('div', {class: 'station', role: 'group', 'aria-label': label},
      make('span', {class: 'mark'}, marker(k), make('b', {'data-letter': String(k)}, of(k).letter ?? '')), name, place,
      make('span', {class: 'locator quiet', 'data-locator': String(k)}, of(k).locator ?? ''),
      make('button', {type: 'button', class: 'small onmap', 'aria-label': `Place ${label} on the map`, onclick: () => pickOnMap(k)}, 'On map'),
      field(`${at}.kind`, 'select', {bare: true, words: 'kind', none: 'kind of station', label: `Kind of ${label}`}),
      field(`${at}.surroundings`, 'select', {bare: true, words: 'surroundings', none: 'around it', label: `Surroundings of ${label}`}),
      remove, more);
  }));
  if (stations.length) {
    box.prepend(make('div', {class: 'station head'}, make('span'), make('span', {}, 'Name'), explainer(...told('station.place')),
      make('span'), make('span'), explainer(...told('station.kind')), explainer(...told('station.surroundings')), make('span')));
  }
}

function reaches(at, station, stations) {
  const others = stations.filter(s => s !== station && s.name);
  if (!others.length || station.hears_mhz === undefined) return null;
  const had = new Set(station.reaches ?? []);
  return make('fieldset', {class: 'field'}, make('legend', {}, 'Worked through it'), ...others.map(other =>
    make('label', {class: 'check'}, make('input', {type: 'checkbox', checked: had.has(other.name), onchange: event => {
      if (event.target.checked) had.add(other.name); else had.delete(other.name);
      set(`${at}.reaches`, had.size ? [...had] : undefined);
    }}), ' ', other.name)));
}

// Whoever names a station must follow when it is renamed or removed.
function rename(old, name) {
  const rule = get('contact.rule');
  if (Array.isArray(rule)) ride.tables.contact.rule = rule.map(n => (n === old ? name : n));
  for (const net of ride.tables.net ?? []) if (net.control === old) net.control = name;
  for (const s of ride.tables.station ?? []) if (s.reaches) s.reaches = s.reaches.map(n => (n === old ? name : n));
}

function mendNames(gone) {
  const rule = get('contact.rule');
  if (Array.isArray(rule)) {
    const left = rule.filter(n => n !== gone);
    if (left.length) ride.tables.contact.rule = left; else delete ride.tables.contact;
  } else if (rule?.at_least > (ride.tables.station ?? []).length) delete ride.tables.contact;
  for (const net of ride.tables.net ?? []) if (net.control === gone) delete net.control;
  for (const s of ride.tables.station ?? []) if (s.reaches) s.reaches = s.reaches.filter(n => n !== gone);
}

export function drawRule(box) {
  const names = (ride.tables.station ?? []).map(s => s.name).filter(Boolean), rule = get('contact.rule');
  const kind = Array.isArray(rule) ? 'named' : rule?.at_least ? 'several' : rule ?? 'any';
  const choose = make('select', {'data-path': 'contact.rule', onchange: () => {
    const value = {any: 'any', all: 'all', several: {at_least: Math.min(2, names.length || 1)}, named: names.slice(0, 1)}[choose.value];
    set('contact.rule', value);
  }}, ...[['any', 'any of them is worked'], ['all', 'all of them are worked'], ['several', 'at least so many are worked'], ['named', 'these are worked']]
    .map(([value, text]) => make('option', {value}, text)));
  choose.value = kind;
  const [label, text] = told('contact.rule');
  choose.setAttribute('aria-label', label);
  const parts = [text ? explainer(label, text) : label, choose];
  if (kind === 'several') {
    parts.push(make('label', {}, 'how many ', make('input', {type: 'number', min: '1', max: String(names.length), value: String(rule.at_least),
      onchange: event => set('contact.rule', {at_least: Number(event.target.value)})})));
  }
  if (kind === 'named') {
    parts.push(...names.map(name => make('label', {class: 'check'}, make('input', {type: 'checkbox', checked: rule.includes(name), onchange: event => {
      const left = names.filter(n => (n === name ? event.target.checked : rule.includes(n)));
      set('contact.rule', left.length ? left : 'any');
    }}), ' ', name)));
  }
  box.replaceChildren(make('div', {class: 'rule'}, ...parts));
}
