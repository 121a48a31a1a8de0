// Fields bound to the ride: each with its label, a short explanation, and its own fault.

import {get, set, unit, placeOf, placeText} from './model.js';

let explained = {}, words = {}, count = 0;
const marked = new Map();  // the fields that each box of faults speaks of

export function vocabulary(fields, lists) {
  explained = fields;
  words = lists;
}

export function make(kind, attributes = {}, ...children) {
  const element = document.createElement(kind);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith('on')) element.addEventListener(name.slice(2), value);
    else if (name in element && typeof value !== 'string') element[name] = value;
    else element.setAttribute(name, value);
  }
  element.append(...children.filter(child => child !== undefined && child !== null));
  return element;
}

// A word with its explanation behind it: a button that keyboards, fingers and screen readers can open.
export function explainer(label, text, kind = 'span') {
  if (!text) return make(kind, {}, label);
  const id = `why-${++count}`;
  const note = make('span', {id, class: 'note', popover: 'auto', role: 'note'}, text);
  const button = make('button', {type: 'button', class: 'why', popovertarget: id, 'aria-label': `${label}: what is this?`}, '?');
  button.addEventListener('click', () => {
    const box = button.getBoundingClientRect();
    note.style.left = `${Math.max(8, Math.min(box.left, innerWidth - 300))}px`;
    note.style.top = `${box.bottom + 6}px`;
  });
  return make(kind, {}, label, ' ', button, note);
}

function wrap(path, input, label, text, after, half) {
  const id = `f-${++count}`;
  input.id = id;
  input.dataset.path = path;
  const named = make('label', {for: id}, label);
  const help = text ? explainer('', text) : null;
  if (help) help.querySelector('.why').setAttribute('aria-label', `${label}: what is this?`);
  const box = make('div', {class: half ? 'field half' : 'field'}, make('div', {class: 'name'}, named, help), make('div', {class: 'value'}, input, after));
  return box;
}

export const told = path => explained[path.replace(/\.[0-9]+\./, '.')] ?? ['', ''];

// kind: number, text, moment, clock, select, place, length. Reads the ride when drawn, writes it when changed.
export function field(path, kind, options = {}) {
  const [label, text] = told(options.as ?? path);
  let input, after = options.after ?? null;
  const write = value => set(path, value === '' || value === null ? undefined : value);
  if (kind === 'select') {
    input = make('select', {onchange: () => write(input.value)});
    if (options.none !== undefined) input.append(make('option', {value: ''}, options.none));
    for (const [word, meaning] of words[options.words] ?? options.list ?? []) {
      input.append(make('option', {value: word, title: meaning ?? ''}, word));
    }
    const value = get(path);
    if (value !== undefined && ![...input.options].some(o => o.value === value)) input.append(make('option', {value}, value));
    input.value = value ?? '';
  } else if (kind === 'number') {
    input = make('input', {type: 'number', step: 'any', inputmode: 'decimal', placeholder: options.placeholder ?? '',
      onchange: () => write(input.value === '' ? undefined : Number(input.value))});
    input.value = get(path) ?? '';
    if (options.unit) after = make('span', {class: 'unit'}, options.unit);
  } else if (kind === 'length') {
    input = make('input', {type: 'number', step: 'any', min: '0', inputmode: 'decimal'});
    const scale = unit.metres / 1000;
    const value = get(path);
    input.value = value === undefined ? '' : Number((value / scale).toFixed(2));
    input.addEventListener('change', () => write(input.value === '' ? undefined : Number((input.value * scale).toFixed(3))));
    after = make('span', {class: 'unit'}, unit.name);
  } else if (kind === 'moment') {
    input = make('input', {type: 'datetime-local', onchange: () => write(input.value ? `${input.value.slice(0, 16)}:00` : undefined)});
    input.value = String(get(path) ?? '').slice(0, 16);
  } else if (kind === 'clock') {
    const whole = String(get(path) ?? '').length > 8;
    input = make('input', {type: whole ? 'text' : 'time', onchange: () => write(input.value)});
    input.value = get(path) ?? '';
  } else if (kind === 'place') {
    // The place of a section: a position or a locator, whichever was given.
    const section = path.replace(/\.[a-z]+$/, '');
    input = make('input', {type: 'text', autocomplete: 'off', spellcheck: 'false', onchange: () => {
      const found = placeOf(input.value);
      const key = options.key ?? 'position';
      if (options.key) return set(path, found?.position ?? (input.value || undefined));
      const at = get(section) ?? {};
      delete at.locator; delete at[key];
      if (found?.locator) set(`${section}.locator`, found.locator);
      else set(`${section}.${key}`, found?.position ?? (input.value || undefined));
    }});
    const at = get(section);
    input.value = options.key ? (Array.isArray(get(path)) ? get(path).join(', ') : get(path) ?? '') : placeText(at);
  } else {
    input = make('input', {type: 'text', onchange: () => write(input.value.trim())});
    if (options.datalist) input.setAttribute('list', options.datalist);
    input.value = get(path) ?? '';
  }
  if (options.bare) {
    input.dataset.path = path;
    input.setAttribute('aria-label', options.label ?? label);
    return input;
  }
  return wrap(path, input, options.label ?? label, text, after, options.half || kind === 'number' || kind === 'select' || kind === 'clock');
}

// Tell what is wrong, at the top and at the field it belongs to.
export function showFaults(box, faults) {
  for (const input of marked.get(box) ?? []) input.removeAttribute('aria-invalid');
  const inputs = [];
  marked.set(box, inputs);
  box.replaceChildren();
  if (!faults.length) return;
  const list = make('ul', {class: 'faults'});
  for (const fault of faults) {
    const path = pathOf(fault.where) ?? pathOf(fault.what);
    const input = path && [...document.querySelectorAll('[data-path]')].find(i => i.dataset.path === path && i.offsetParent);
    // The ride of the page has no lines to look at: there the field is named as the page names it.
    const own = /^ride(,|$)/.test(fault.where), label = input && (input.labels?.[0]?.textContent ?? input.getAttribute('aria-label'));
    const where = own && label ? fault.where.replace(/^ride(, line [0-9]+)?(, )?[a-z0-9_.]+/, label) : fault.where.replace(/^ride(, line [0-9]+)?(, |$)/, '');
    const said = `${where ? where + ': ' : ''}${fault.what}${fault.mend ? '. ' + fault.mend[0].toUpperCase() + fault.mend.slice(1) : ''}`;
    const item = make('li', {}, said);
    if (input) {
      input.setAttribute('aria-invalid', 'true');
      inputs.push(input);
      item.append(' ', make('button', {type: 'button', onclick: () => input.focus()}, 'go there'));
    }
    list.append(item);
  }
  box.append(make('p', {class: 'lead'}, faults.length === 1 ? 'One thing to mend' : `${faults.length} things to mend`), list);
}

// "ride, line 3, station.2.position = ..." is the field station.1.position
function pathOf(where) {
  const found = where.match(/([a-z]+)(?:\.([0-9]+))?\.([a-z_]+)(?: =|$)/) ?? where.match(/\[([a-z]+)\]()\s*([a-z_]+)/);
  if (!found) return null;
  return found[2] ? `${found[1]}.${found[2] - 1}.${found[3]}` : `${found[1]}.${found[3]}`;
}
