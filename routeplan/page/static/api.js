// Asking the server. Every failure is an Error with `faults`: what is wrong, where, how to mend it.

export class Refused extends Error {
  constructor(faults) {
    super(faults.map(f => f.what).join('; '));
    this.faults = faults;
  }
}

async function ask(path, options) {
  let reply;
  try {
    reply = await fetch(path, {...options, headers: {...options?.headers, 'X-Page': '1'}});
  } catch (error) {
    if (error.name === 'AbortError') throw error;
    throw new Refused([{what: 'routeplan does not answer', where: '', mend: 'is it still running in the terminal?'}]);
  }
  if (reply.ok && !reply.headers.has('X-Faults')) return reply;
  let faults = [{what: `the server said ${reply.status}`, where: '', mend: ''}];
  try { faults = (await reply.json()).faults || faults; } catch { /* no JSON: the status must do */ }
  throw new Refused(faults);
}

const query = values => Object.keys(values).length ? '?' + new URLSearchParams(values) : '';

export const getJson = async (path, values = {}, signal) => (await ask(path + query(values), {signal})).json();
export const getBytes = async (path, values = {}) => (await ask(path + query(values))).arrayBuffer();
export const getBlob = async (path, values = {}) => (await ask(path + query(values))).blob();

export async function post(path, body, values = {}, signal) {
  return (await ask(path + query(values), {
    method: 'POST', body: JSON.stringify(body), headers: {'Content-Type': 'application/json'}, signal,
  })).json();
}

export async function postText(path, body) {
  return (await ask(path, {method: 'POST', body: JSON.stringify(body)})).text();
}

export const upload = async (path, file, values = {}) =>
  (await ask(path + query(values), {method: 'POST', body: file})).json();

// An SVG picture as an element, ready to be put into the page.
export async function picture(path, values) {
  const text = await (await ask(path + query(values))).text();
  return document.importNode(new DOMParser().parseFromString(text, 'image/svg+xml').documentElement, true);
}
