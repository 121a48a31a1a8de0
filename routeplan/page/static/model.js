// The ride as the tables of its ride file, and whoever wants to know when it changes.

// `before` is the text of the ride file that was opened: its comments and order are kept when it is saved.
export const ride = {tables: {}, before: '', job: 'loop', area: 'demo'};
const listeners = [];

export const onChange = listener => listeners.push(listener);
export const changed = (path, quick = false) => listeners.forEach(listener => listener(path, quick));

export function get(path) {
  return path.split('.').reduce((at, part) => (at === undefined || at === null ? undefined : at[part]), ride.tables);
}

// Set a value; undefined takes the key out, and with the last key its section.
export function set(path, value, quick = false) {
  const parts = path.split('.'), last = parts.pop();
  let at = ride.tables;
  for (const [k, part] of parts.entries()) {
    if (at[part] === undefined) at[part] = /^[0-9]+$/.test(parts[k + 1] ?? '') ? [] : {};
    at = at[part];
  }
  if (value === undefined) delete at[last];
  else at[last] = value;
  changed(path, quick);
}

export function replace(tables) {
  for (const name of ['station', 'net']) if (!Array.isArray(tables[name])) tables[name] = tables[name] ? [tables[name]] : [];
  ride.tables = tables;
  changed('');
}

// Lengths as the rider reads them.
export const unit = {name: 'km', get metres() { return this.name === 'mi' ? 1609.344 : 1000; }};
export const long = metres => `${(metres / unit.metres).toFixed(1)} ${unit.name}`;
export const inUnit = text => unit.name === 'km' ? text
  : text.replace(/([0-9]+\.[0-9]) km/g, (_, km) => `${(km * 1000 / unit.metres).toFixed(1)} mi`);

// Latitude and longitude, or a locator, from what was typed; undefined where it is neither.
export function placeOf(text) {
  const pair = text.trim().match(/^\[?\s*([-+]?[0-9]+(?:\.[0-9]+)?)\s*[,; ]\s*([-+]?[0-9]+(?:\.[0-9]+)?)\s*\]?$/);
  if (pair) return {position: [Number(pair[1]), Number(pair[2])]};
  if (/^[A-R]{2}[0-9]{2}/i.test(text.trim())) return {locator: text.trim()};
  return undefined;
}
export const placeText = at => at?.position ? at.position.join(', ') : at?.locator ?? '';
