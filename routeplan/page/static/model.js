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

// Lengths and heights as the rider reads them: km and metres, miles and feet, or miles and metres.
export const unit = {
  choice: 'km',
  get name() { return this.choice === 'km' ? 'km' : 'mi'; },
  get metres() { return this.name === 'mi' ? 1609.344 : 1000; },
  get feet() { return this.choice === 'mi-ft'; },
};
export const long = metres => `${(metres / unit.metres).toFixed(1)} ${unit.name}`;
export const high = metres => unit.feet ? `${Math.round(metres / 0.3048)} ft` : `${metres} m`;

// Sentences of the server, which are in kilometres and metres. Short lengths are told in yards beside miles.
export function inUnit(text) {
  if (unit.name === 'km') return text;
  const miles = km => (km * 1000 / unit.metres).toFixed(1);
  const out = text.replace(/([0-9]+(?:\.[0-9]+)?) to ([0-9]+(?:\.[0-9]+)?) km/g, (_, a, b) => `${miles(a)} to ${miles(b)} mi`)
    .replace(/([0-9]+(?:\.[0-9]+)?) km/g, (_, km) => `${miles(km)} mi`)
    .replace(/([0-9]+) m (on foot|out and back|more|less|and)\b/g, (_, m, what) => `${Math.round(m / 9.144) * 10} yd ${what}`);
  return unit.feet ? out.replace(/([0-9]+) m up/g, (_, m) => `${Math.round(m / 0.3048)} ft up`) : out;
}

// Latitude and longitude, or a locator, from what was typed; undefined where it is neither.
export function placeOf(text) {
  const pair = text.trim().match(/^\[?\s*([-+]?[0-9]+(?:\.[0-9]+)?)\s*[,; ]\s*([-+]?[0-9]+(?:\.[0-9]+)?)\s*\]?$/);
  if (pair) return {position: [Number(pair[1]), Number(pair[2])]};
  if (/^[A-R]{2}[0-9]{2}/i.test(text.trim())) return {locator: text.trim()};
  return undefined;
}
export const placeText = at => at?.position ? at.position.join(', ') : at?.locator ?? '';
