// The page: puts the parts together. Numbers come from the server; here they are only shown.

import {getJson, post, postText, upload} from './api.js';
import {Chooser, drawFigures, drawMore} from './chooser.js';
import {explainer, field, make, showFaults, vocabulary} from './form.js';
import {RideMap} from './map.js';
import {changed, get, inUnit, onChange, replace, ride, set, unit} from './model.js';
import {Search} from './search.js';
import {drawRule, drawStations, MARKERS} from './stations.js';
import {Strip} from './strip.js';

const $ = id => document.getElementById(id);
const JOBS = [['loop', 'A loop'], ['between', 'From here to there'], ['mend', 'Mend my ride'], ['check', 'Check a ride']];
const FILES = [['ride_X.gpx', 'GPX track'], ['card_X.pdf', 'ride card'], ['strip_X.png', 'strip'], ['map_X.png', 'map'],
  ['ride_X.ics', 'calendar'], ['ride_X.csv', 'columns'], ['report.html', 'report'], ['plan.json', 'plan as JSON'], ['ride.toml', 'ride file'], ['all.zip', 'everything']];
let hello, plan = null, planSeq = 0, waiting = null, held = false, proof = null, bound = null, running = false, planned = false, faulty = false, lookTurn = 0, seenStations = [];

const map = new RideMap($('map'), {
  prompt: text => { $('prompt').hidden = !text; $('prompt').textContent = text ?? ''; },
  pointed: k => strip.show(k, false),
  dragged: (k, x, y, done) => dragged(k, x, y, done),
});
map.unit = unit;
const strip = new Strip($('strip'), $('readout'), k => { map.at = k; map.paint(); });
const chooser = new Chooser({box: $('trade'), list: $('choices'), sentence: $('sentence')}, showRide);
const search = new Search({news, ended, failed: error => { setRunning(false); fail(error); }});

// --- the form ---

function pickField(label, key, write) {
  return make('button', {type: 'button', class: 'small', onclick: () => {
    $('place').scrollIntoView({block: 'nearest'});
    map.pick(`${label}: point at a place. Enter takes the middle of the map, Escape nothing.`, async (x, y) => {
      try {
        const place = await getJson('/api/place', {area: ride.area, x, y});
        write(place);
      } catch (error) { fail(error); }
    });
  }}, 'On map');
}

function drawWish() {
  const job = ride.job, fields = [];
  const start = field('start.position', 'place', {after: pickField('Start', 'start', place => {
    if (ride.tables.start) delete ride.tables.start.locator;
    set('start.position', place.position);
    drawWish();
  })});
  if (job === 'loop' || job === 'between') fields.push(start);
  if (job === 'loop') fields.push(howLong());
  if (job === 'between') {
    fields.push(field('ride.end', 'place', {key: 'end', after: pickField('End', 'end', place => { set('ride.end', place.position); drawWish(); })}),
      field('ride.length_at_most_km', 'length'));
  }
  if (job === 'mend' || job === 'check') fields.push(dropTrack());
  if (job === 'mend') fields.push(field('ride.extra_km_at_most', 'length'));
  fields.push(leave(), field('start.time_zone', 'text', {datalist: 'zones'}));
  $('wish').replaceChildren(...fields);
  if (!$('zones')) {
    const names = Intl.supportedValuesOf?.('timeZone') ?? [];
    document.body.append(make('datalist', {id: 'zones'}, ...names.map(value => make('option', {value}))));
  }
}

// Length, hours or home by: one of them, with a slider for the first two.
function howLong() {
  const kinds = [['length_km', 'Length'], ['hours', 'Hours'], ['home_by', 'Home by']];
  const now = kinds.find(([key]) => get(`ride.${key}`) !== undefined)?.[0] ?? 'length_km';
  const [, text] = hello.fields[`ride.${now}`];
  const choose = make('select', {'aria-label': 'What sets the length of the loop', onchange: () => {
    for (const [key] of kinds) if (ride.tables.ride) delete ride.tables.ride[key];
    set(`ride.${choose.value}`, {length_km: 30, hours: 2, home_by: '21:00'}[choose.value]);
    drawWish();
  }}, ...kinds.map(([value, label]) => make('option', {value}, label)));
  choose.value = now;
  const box = make('div', {class: 'field long'}, make('div', {class: 'name'}, choose, explainer('', text)));
  if (now === 'home_by') {
    box.append(make('div', {class: 'value'}, field('ride.home_by', 'clock', {bare: true})));
    return box;
  }
  const scale = now === 'length_km' ? unit.metres / 1000 : 1, path = `ride.${now}`;
  const digits = now === 'length_km' ? 0 : 2, shown = () => Number(((get(path) ?? 0) / scale).toFixed(digits + 1));
  const most = Math.max(now === 'length_km' ? 100 : 6, Math.ceil(shown() * 1.5));
  const slider = make('input', {type: 'range', min: now === 'length_km' ? '5' : '0.5', max: String(most), step: now === 'length_km' ? '1' : '0.25',
    'aria-label': `${now === 'length_km' ? 'Length' : 'Hours'} as a slider`});
  const number = make('input', {type: 'number', step: 'any', min: '0', 'data-path': path, 'aria-label': kinds.find(k => k[0] === now)[1]});
  slider.value = number.value = String(shown());
  const write = (value, quick) => set(path, value === '' ? undefined : Number((value * scale).toFixed(3)), quick);
  slider.addEventListener('input', () => { number.value = slider.value; write(slider.value, true); });
  number.addEventListener('change', () => { slider.value = number.value; write(number.value); });
  box.append(make('div', {class: 'value'}, slider, number, make('span', {class: 'unit'}, now === 'length_km' ? unit.name : 'h')));
  return box;
}

function leave() {
  const between = Array.isArray(get('start.departs_between'));
  if (!between) {
    return field('start.departs', 'moment', {after: make('button', {type: 'button', class: 'small', onclick: () => {
      const at = get('start.departs');
      delete ride.tables.start?.departs;
      set('start.departs_between', [at ?? '2026-06-11T18:00:00', plusHour(at ?? '2026-06-11T18:00:00')]);
      drawWish();
    }}, 'or between')});
  }
  const box = make('div', {class: 'field'}, make('div', {class: 'name'}, 'Leave between'));
  const inputs = [0, 1].map(k => {
    const input = make('input', {type: 'datetime-local', 'aria-label': k ? 'latest' : 'earliest', 'data-path': 'start.departs_between', onchange: () => {
      const pair = [...get('start.departs_between')];
      pair[k] = `${input.value.slice(0, 16)}:00`;
      set('start.departs_between', pair);
    }});
    input.value = String(get('start.departs_between')[k]).slice(0, 16);
    return input;
  });
  box.append(make('div', {class: 'value'}, ...inputs, make('button', {type: 'button', class: 'small', onclick: () => {
    const [first] = get('start.departs_between');
    delete ride.tables.start.departs_between;
    set('start.departs', first);
    drawWish();
  }}, 'at one time')));
  return box;
}

function plusHour(text) {
  const hour = Number(text.slice(11, 13));
  return hour < 23 ? `${text.slice(0, 11)}${String(hour + 1).padStart(2, '0')}${text.slice(13)}` : text;
}

function dropTrack() {
  const [label, text] = hello.fields['ride.follow'];
  const input = make('input', {type: 'file', accept: '.gpx', class: 'unseen', id: 'track', 'data-path': 'ride.follow',
    onchange: () => input.files[0] && keep(input.files[0])});
  const keep = async file => {
    try {
      const kept = await upload('/api/track', file, {name: file.name.replace(/[^A-Za-z0-9 _.-]/g, '_')});
      set('ride.follow', kept.name);
      drawWish();
    } catch (error) { fail(error); }
  };
  const drop = make('label', {class: 'drop', for: 'track'}, get('ride.follow') ?? 'Drop a GPX file, or press to choose one', input);
  drop.addEventListener('dragover', event => event.preventDefault());
  drop.addEventListener('drop', event => { event.preventDefault(); if (event.dataTransfer.files[0]) keep(event.dataTransfer.files[0]); });
  return make('div', {class: 'field'}, make('div', {class: 'name'}, label, explainer('', text)), make('div', {class: 'value'}, drop));
}

function drawNet() {
  const nets = ride.tables.net ?? [];
  $('has-net').checked = nets.length > 0;
  const names = (ride.tables.station ?? []).map(s => s.name).filter(Boolean).map(n => [n, '']);
  $('net').replaceChildren(...nets.flatMap((net, k) => [
    field(`net.${k}.name`, 'text', {label: nets.length > 1 ? `Net ${k + 1}` : 'Name'}), field(`net.${k}.frequency_mhz`, 'number', {unit: 'MHz'}),
    field(`net.${k}.mode`, 'select', {label: 'Mode', words: 'mode', none: 'FM'}), field(`net.${k}.begins`, 'clock'),
    field(`net.${k}.lasts_min`, 'number', {unit: 'min', placeholder: '60'}), field(`net.${k}.control`, 'select', {list: names, none: 'nobody in particular'}),
  ]));
}

function drawYou() {
  $('you').replaceChildren(
    field('rider.power_w', 'number', {unit: 'W', placeholder: '110'}), field('rider.mass_kg', 'number', {unit: 'kg', placeholder: '80'}),
    field('rider.bicycle_mass_kg', 'number', {unit: 'kg', placeholder: '22'}), field('set.transmit_w', 'number', {unit: 'W', placeholder: '5'}),
    field('set.antenna', 'select', {words: 'antenna', none: 'quarter wave'}), field('set.mount', 'select', {words: 'mount', none: 'rack'}),
    field('wind.speed_m_s', 'number', {unit: 'm/s', placeholder: '0'}), field('wind.from_deg', 'text', {as: 'wind.from_deg', half: true}));
  const from = $('you').querySelector('[data-path="wind.from_deg"]');
  from.addEventListener('change', event => {
    event.stopImmediatePropagation();
    const text = from.value.trim();
    set('wind.from_deg', text === '' ? undefined : Number.isFinite(Number(text)) ? Number(text) : text);
  }, true);
}

// Every key of the ride file, as text: what the fields above do not hold can be set here.
function drawKeys() {
  if (!$('all').querySelector('details').open) return;
  $('keys').replaceChildren(...Object.entries(hello.keys).filter(([, keys]) => !keys[0].several).map(([section, keys]) =>
    make('details', {}, make('summary', {}, `[${section}]`), make('div', {class: 'fields'}, ...keys.map(key => {
      const path = `${section}.${key.name}`, value = get(path);
      const input = make('input', {type: 'text', placeholder: key.without ? `without: ${key.without}` : '', 'aria-label': path, onchange: () => {
        let typed = input.value.trim();
        try { typed = typed === '' ? undefined : JSON.parse(typed); } catch { /* words stand for themselves */ }
        set(path, typed);
        drawWish(); drawYou();
      }});
      input.value = value === undefined ? '' : typeof value === 'string' ? value : JSON.stringify(value);
      return make('div', {class: 'field'}, make('div', {class: 'name'}, key.name, explainer('', `${key.help}. ${key.words}${key.unit ? `, in ${key.unit}` : ''}`)),
        make('div', {class: 'value'}, input, key.unit ? make('span', {class: 'unit'}, key.unit) : null));
    })))));
}

function drawStationRows() {
  drawStations($('rows'), k => {
    $('place').scrollIntoView({block: 'nearest'});
    map.pick(`${ride.tables.station[k].name || 'The station'}: point at its place. Enter takes the middle of the map, Escape nothing.`,
      (x, y) => dragged(k, x, y, true));
  }, seenStations);
  drawRule($('rule'));
}

function drawForm() {
  drawWish(); drawNet(); drawYou(); drawStationRows(); drawKeys();
  $('jobs').querySelector(`input[value=${ride.job}]`).checked = true;
}

// --- what the ride says, and coverage ---

let lookTimer, planTimer;
onChange((path, quick) => {
  if (path === '') drawForm();
  else if (path === 'station') { drawStationRows(); drawNet(); }
  else if (/^station\.[0-9]+\.(name|hears_mhz)$/.test(path)) { drawRule($('rule')); drawNet(); if (path.endsWith('hears_mhz')) drawStationRows(); }
  else if (path === 'contact.rule') drawRule($('rule'));
  if (!running && !planned && !faulty) say('');
  clearTimeout(lookTimer);
  lookTimer = setTimeout(() => look(path), quick ? 40 : 0);
});

const RADIO = /^(station|net|set|contact|weather|radio|$)/;
const ELSEWHERE = /^(start\.name|ride\.choices)$/;

async function look(path = '') {
  const turn = ++lookTurn;
  try {
    const seen = await post('/api/ride/look', {area: ride.area, ride: ride.tables});
    if (turn !== lookTurn) return;
    const before = faulty;
    faulty = seen.faults.length > 0;
    showFaults($('faults'), seen.faults);
    if (faulty) { if (!running) say('mend what is marked, then plan'); return; }
    if (before && !running) say('');
    place(seen.places);
    if (RADIO.test(path)) cover();
    if (planned && $('auto').checked && path !== 'area' && !ELSEWHERE.test(path)) {
      clearTimeout(planTimer);
      planTimer = setTimeout(begin, 30);
    }
  } catch (error) { if (turn === lookTurn) fail(error); }
}

function place(places) {
  const byName = new Map((places.stations ?? []).map(s => [s.name, s]));
  seenStations = (ride.tables.station ?? []).map(s => byName.get(s.name) ?? {});
  $('rows').querySelectorAll('[data-locator]').forEach(span => { span.textContent = seenStations[span.dataset.locator]?.locator ?? ''; });
  $('rows').querySelectorAll('[data-letter]').forEach(span => { span.textContent = seenStations[span.dataset.letter]?.letter ?? ''; });
  map.stations = (ride.tables.station ?? []).flatMap((s, k) => byName.has(s.name) ? [{...byName.get(s.name), k, marker: MARKERS[k % MARKERS.length]}] : []);
  map.marks = {start: places.start, end: places.end};
  (places.via ?? []).forEach((at, k) => { map.marks[`via ${k + 1}`] = at; });
  (places.avoid ?? []).forEach((at, k) => { map.marks[`avoid ${k + 1}`] = at; });
  const had = $('layer').value, names = map.stations.map(s => s.name);
  $('layer').replaceChildren(...[['rule', 'of the rule'], ...names.map(n => [`=${n}`, n]), ['none', 'none']].map(([value, text]) => make('option', {value}, text)));
  $('layer').value = [...$('layer').options].some(o => o.value === had) ? had : 'rule';
  map.paint();
}

// Coverage at once on a coarse grid, then finer; while one is being reckoned the newest wish waits.
let covering = false, coverWanted = null;
async function cover(finest = 160) {
  coverWanted = {finest};
  if (covering) return;
  covering = true;
  try {
    while (coverWanted) {
      const {finest: most} = coverWanted;
      coverWanted = null;
      if ($('layer').value === 'none' || !(ride.tables.station ?? []).length) { map.grid = null; map.paint(); continue; }
      for (const cells of [60, 160].filter(c => c <= most)) {
        const only = $('layer').value.startsWith('=') ? $('layer').value.slice(1) : null;
        const began = performance.now();
        const grid = await post('/api/coverage', {area: ride.area, ride: ride.tables, cells, only});
        grid.values = Uint8Array.from(atob(grid.chance), c => c.charCodeAt(0));
        grid.level = map.level = get('contact.chance') ?? 0.9;
        if (coverWanted && cells > 60) break;
        map.grid = grid;
        map.paint();
        $('map').dataset.coverage = String(Number($('map').dataset.coverage ?? 0) + 1);
        $('map').dataset.coverageMs = (performance.now() - began).toFixed(0);
        if (coverWanted) break;
      }
    }
  } catch { map.grid = null; map.paint(); } finally { covering = false; }
}

// A station that is dragged takes its coverage along; the ride is planned anew when it is let go.
let dragging = null;
async function dragged(k, x, y, done) {
  const row = map.stations[k]?.k ?? k;
  dragging = {row, x, y, done};
  if (dragged.busy) return;
  dragged.busy = true;
  try {
    while (dragging) {
      const now = dragging;
      dragging = null;
      const at = await getJson('/api/place', {area: ride.area, x: now.x, y: now.y});
      const station = ride.tables.station?.[now.row];
      if (!station) continue;
      delete station.locator;
      station.position = at.position;
      const input = $('rows').querySelector(`[data-path="station.${now.row}.position"]`);
      if (input) input.value = at.position.join(', ');
      const span = $('rows').querySelector(`[data-locator="${now.row}"]`);
      if (span) span.textContent = at.locator;
      if (now.done) changed(`station.${now.row}.position`); else cover(60);
    }
  } catch (error) { fail(error); } finally { dragged.busy = false; }
}

// --- searching ---

function begin() {
  clearTimeout(planTimer);
  if (faulty) return say('mend what is marked, then plan');
  planned = true;
  held = false;
  waiting = proof = bound = null;
  showFaults($('trouble'), []);
  setRunning(true);
  drawWaiting();
  drawBound();
  say('beginning');
  search.begin({area: ride.area, job: ride.job, ride: ride.tables, before: ride.before});
}

function setRunning(on) {
  running = on;
  $('stop').disabled = !on && !proof?.running;
  $('choose').setAttribute('aria-busy', String(on));
}

// What the eye sees at once, a screen reader hears now and then: the last of several things said within some seconds.
function say(text, aloud = true) {
  $('state').textContent = text;
  if (aloud) announce(text);
}

let spoken = 0, toSpeak = '', speakTimer;
function announce(text) {
  toSpeak = text;
  clearTimeout(speakTimer);
  speakTimer = setTimeout(() => { spoken = Date.now(); $('spoken').textContent = toSpeak; }, Math.max(250, 4000 - (Date.now() - spoken)));
}

function news(found) {
  if (found.plan) offer(found.plan, found.plan_seq, found.whole);
  if (found.proof) { proof = found.proof; if (proof.bound) bound = proof.bound; drawBound(); }
  const count = plan?.routes.length ?? 0;
  const shown = found.plan_seq ? `${count} ${count === 1 ? 'choice' : 'choices'} so far; ` : '';
  if (found.state === 'running' || found.state === 'waiting') say(`${found.whole ? '' : shown}${found.said} (${Math.round(found.seconds)} s)`, false);
}

// Choices come in while the rider looks. Until a hand is laid on them they are replaced by better ones; from then on
// what is shown stays as it is, letters and all, and better ones wait until they are asked for.
function hold(event) { if (event.key !== 'Tab') held = true; }
const underHand = () => held || $('choices').matches(':hover') || $('trade').matches(':hover');

function offer(next, seq, whole) {
  bound = next.bound ?? bound;
  const keys = next.routes.map(r => `${r.id} ${r.key}`);
  const same = plan && plan.search === search.id && plan.routes.every(r => keys.includes(`${r.id} ${r.key}`));
  if (underHand() && plan?.search === search.id && !same) {
    waiting = {next, seq};
    drawWaiting();
    if (held) announce('Better choices were found. They wait under the list.');
  } else {
    const first = plan?.search !== search.id;
    adopt(next, seq);
    const best = next.routes.map(r => `${r.id}: ${r.headline}`).join('; ');
    if (first || !same) announce(`${first ? 'First' : whole ? 'All' : 'Better'} choices. ${inUnit(best)}`);
  }
  drawBound();
}

// Show these choices. The ride that was chosen stays chosen; where there is a better one in its place, that one is.
function adopt(next, seq) {
  const old = plan?.search === search.id ? plan.routes.find(r => r.id === chooser.chosen) : null;
  next.search = search.id;
  const stays = old && next.routes.find(r => r.key === old.key);
  const better = old && !stays && successor(old, next.routes);
  if (old) chooser.chosen = stays?.id ?? (held ? better.id : null);  // untouched, the first is shown
  waiting = null;
  plan = next;
  planSeq = seq;
  draw();
  drawWaiting();
  return {old, stays, better};
}

function successor(old, routes) {
  const range = pick => Math.max(1, ...routes.map(pick)) - Math.min(...routes.map(pick)) + 1;
  const kj = range(r => r.effort_kj), min = range(r => r.contact_min);
  const far = r => Math.abs(r.effort_kj - old.effort_kj) / kj + Math.abs(r.contact_min - old.contact_min) / min;
  return [...routes].sort((a, b) => far(a) - far(b))[0];
}

function drawWaiting() {
  $('waiting').hidden = !waiting;
  if (!waiting) return $('waiting').replaceChildren();
  const had = new Set(plan.routes.map(r => r.key)), fresh = waiting.next.routes.filter(r => !had.has(r.key)).length;
  const text = `${running ? 'Better choices come in' : 'There are better choices'}: ${fresh} of ${waiting.next.routes.length} ${fresh === 1 ? 'is' : 'are'} new.`;
  let [said, button] = $('waiting').children;
  if (!said) {
    said = make('span', {});
    button = make('button', {type: 'button', onclick: showWaiting}, 'Show them');
    $('waiting').replaceChildren(said, button);
  }
  said.textContent = `${text} What you see stays until you ask. `;
}

function showWaiting() {
  const {old, stays, better} = adopt(waiting.next, waiting.seq);
  held = false;
  const told = stays ? (stays.id === old.id ? `Your ride is still ${stays.id}.` : `The ride you had as ${old.id} is ${stays.id} now.`)
    : better ? `${better.id} has taken the place of the ride you had.` : '';
  say(told);
  $('choices').querySelector('input:checked')?.focus({preventScroll: true});
}

function ended(found) {
  setRunning(false);
  drawBound();
  if (found.state === 'failed') {
    clearPlan();
    planned = true;  // once it is mended it is planned
    say('this cannot be planned');
    showFaults($('trouble'), found.faults);
    return;
  }
  if (found.proof) return say(found.proof.trouble || (found.proof.stopped ? 'the proof is stopped; what it has reached stays' : 'the limit is as tight as it gets'));
  const count = (waiting?.next ?? plan)?.routes.length ?? 0;
  drawWaiting();
  if (!found.plan_seq) return say('stopped before anything was found');
  say(found.state === 'stopped' ? `stopped after ${Math.round(found.seconds)} s: the best of what was found`
    : `${count} ${count === 1 ? 'choice' : 'choices'}, found in ${Math.round(found.seconds)} s`);
}

// The proven limit, and a proof that closes in on it while one watches.
function drawBound() {
  const can = ride.job === 'loop' && plan && !running, going = proof?.running;
  const parts = [];
  if (bound) {
    const gap = bound.gap_min ? `A gap of ${bound.gap_min} ${bound.gap_min === 1 ? 'minute' : 'minutes'} is left open.` : 'Nothing better is left to find.';
    parts.push(explainer('Proven limit', `${hello.figures.bound?.[1]} Here it was ${bound.how.replace(/^proven/, 'had')}.`), `: ${inUnit(bound.sentence)} ${gap}`);
    if (going) parts.push(` Now at ${bound.limit_min} min.`);
  } else if (going) parts.push('No limit that tells you anything yet.');
  else if (proof && !proof.trouble) parts.push('The proof reached no limit that would tell you anything.');
  const more = can && !going && !(proof && !proof.stopped && !proof.trouble) && (!bound || bound.gap_min);
  if (parts.length || more) {
    const had = $('prove');
    $('bound').replaceChildren(...parts, ...(going ? [make('span', {}, ` Proving, ${Math.round(proof.seconds)} s. `)] : [' ']));
    if (more || going) {
      $('bound').append(had?.dataset.going === String(going) ? had : make('button', {type: 'button', id: 'prove', class: 'small', 'data-going': String(going),
        onclick: () => guarded(going ? () => search.stop() : prove)}, going ? 'Stop the proof' : bound ? 'Prove it tighter' : 'Prove a limit'));
    }
  } else $('bound').replaceChildren();
}

async function prove() {
  proof = {running: true, seconds: 0};
  setRunning(false);
  drawBound();
  say('proving; the figure under the list closes in');
  search.prove();
}

function fail(error) {
  showFaults($('trouble'), error.faults ?? [{what: String(error.message ?? error), where: '', mend: ''}]);
}

// --- showing ---

function draw() {
  map.routes = plan.routes;
  map.level = plan.contact_chance;
  document.body.classList.add('has-plan');
  chooser.draw(plan.search, plan, planSeq, hello.figures).catch(() => {});
  const route = plan.routes.find(r => r.id === chooser.chosen) ?? plan.routes[0];
  if (route) showRide(route);
}

function showRide(route) {
  const fresh = map.chosenKey !== route.key || !map.shownOnce;
  map.chosen = route.id;
  map.chosenKey = route.key;
  if (fresh) map.at = null;
  for (const id of ['ride', 'downloads', 'talk']) $(id).hidden = false;
  $('headline').replaceChildren(make('span', {class: 'ring'}, route.id), ' ', inUnit(route.headline));
  const why = inUnit(`${route.why}. ${route.extras}`);
  $('why').textContent = why[0].toUpperCase() + why.slice(1);
  drawFigures($('figures'), route, hello.figures);
  const warnings = [...new Set([...plan.warnings, ...route.warnings])];
  $('warnings').replaceChildren(...(warnings.length ? [make('ul', {class: 'warn'}, ...warnings.map(text => make('li', {}, inUnit(text))))] : []));
  drawMore($('more'), plan, route);
  drawLinks(route);
  strip.draw(plan.search, route, planSeq).catch(() => {});
  if (fresh) { map.shownOnce = true; map.fitRide(); }
  map.paint();
}

function drawLinks(route) {
  const had = $('ticked').value;
  $('ticked').replaceChildren(make('option', {value: ''}, 'none'), ...plan.routes.map(r => make('option', {value: r.id}, `choice ${r.id}`)));
  $('ticked').value = plan.routes.some(r => r.id === had) ? had : '';
  $('of').textContent = route.id;
  const share = $('share').checked;
  $('links').replaceChildren(...FILES.filter(([file]) => !(share && file === 'ride.toml')).map(([file, label]) => {
    const name = file.replace('X', route.id);
    return make('a', {href: `/api/search/${plan.search}/file/${name}?seq=${planSeq}${share ? '&share=1' : ''}`, download: name}, label);
  }));
}

function redrawPictures() {
  map.recolour();
  if (!plan) return;
  draw();
}

// --- areas, files, looks ---

async function openArea(key) {
  ride.area = key;
  say('opening the area');
  try {
    const area = await map.open(key);
    $('credit').textContent = `${area.name}: ${area.street_km} km of streets. ${area.attribution.join('; ')}`;
    say('');
  } catch (error) { fail(error); }
}

// No plan is shown: another ride or job, or one that cannot be planned.
function clearPlan() {
  plan = waiting = proof = bound = null;
  planned = held = false;
  drawWaiting();
  map.routes = [];
  map.chosen = map.at = null;
  map.shownOnce = false;
  document.body.classList.remove('has-plan');
  for (const id of ['ride', 'downloads', 'talk']) $(id).hidden = true;
  $('choices').replaceChildren();
  $('trade').replaceChildren();
  $('sentence').textContent = '';
  drawBound();
  map.paint();
}

// What is being looked for is not wanted any more.
function dropSearch() {
  if (running || proof?.running) search.stop().catch(() => {});
  search.newTurn();
  proof = null;
  setRunning(false);
}

async function openRide(found) {
  dropSearch();
  clearPlan();
  if (map.area) map.fit(map.area.roads_m);
  $('ride-name').value = found.name.replace(/\.toml$/, '');
  ride.before = found.text ?? '';
  const wish = found.ride.ride ?? {};
  if (wish.follow && wish.length_km === undefined) ride.job = 'check';
  else if (wish.end && wish.length_km === undefined) ride.job = 'between';
  else ride.job = 'loop';
  replace(found.ride);
}

function listRides(names) {
  $('rides').replaceChildren(make('option', {value: ''}, 'open one'), make('option', {value: '*new'}, 'new'), make('option', {value: '*demo'}, 'the demo\u2019s net evening'),
    ...names.map(name => make('option', {value: name}, name)));
}

const newRide = () => ({start: {time_zone: Intl.DateTimeFormat().resolvedOptions().timeZone, departs: soon()}, ride: {length_km: 30}, station: [], net: []});
function soon() {
  const day = new Date(Date.now() + 86400e3), two = n => String(n).padStart(2, '0');
  return `${day.getFullYear()}-${two(day.getMonth() + 1)}-${two(day.getDate())}T18:00:00`;
}

// Write the ride file. Another ride of that name is replaced only when the rider says so.
async function save(replaceIt) {
  const name = $('ride-name').value;
  try {
    const saved = await post('/api/ride/save', {ride: ride.tables, before: ride.before}, {name, ...(replaceIt ? {replace: 1} : {})});
    ride.before = saved.text;
    listRides(saved.rides);
    say(`saved as ${saved.name}; the command line reads it too`);
  } catch (error) {
    fail(error);
    if (error.faults?.some(f => f.mend.endsWith('or replace it'))) {
      $('trouble').append(make('p', {}, make('button', {type: 'button', onclick: () => guarded(() => save(true))}, 'Replace it')));
    }
  }
}

// Do what the rider asked; what went wrong before is no longer news.
async function guarded(action) {
  showFaults($('trouble'), []);
  try { await action(); } catch (error) { fail(error); }
}

const DEBRIEF = {'debrief.html': 'report', 'debrief.json': 'all figures as JSON', 'debrief_map.png': 'map', 'debrief_strip.png': 'strip', 'evidence.csv': 'what it was learnt from',
  'heard.csv': 'reports', 'learnt.toml': 'what was learnt', 'log.adi': 'log (ADIF)', 'debrief.zip': 'everything'};

// Lines that begin with a dash are a list; what is indented belongs to the line before.
function showDebrief(found) {
  const lines = found.text.replace(/\n {2,}/g, ' ').split('\n').filter(Boolean), parts = [];
  for (const line of lines) {
    if (!line.startsWith('- ')) parts.push(make('p', {}, inUnit(line)));
    else {
      if (parts.at(-1)?.tagName !== 'UL') parts.push(make('ul', {}));
      parts.at(-1).append(make('li', {}, inUnit(line.slice(2))));
    }
  }
  $('debrief-text').replaceChildren(...parts);
  const picture = (file, alt) => found.files.includes(file) ? [make('img', {src: `/api/debrief/${found.id}/${file}`, alt})] : [];
  $('debrief-pictures').replaceChildren(...picture('debrief_strip.png', 'The ride minute by minute: predicted, and what was heard'),
    ...picture('debrief_map.png', 'Map of the ride with what was heard'));
  $('debrief-links').replaceChildren(...[...found.files, 'debrief.zip'].map(file => make('a', {href: `/api/debrief/${found.id}/${file}`, download: file}, DEBRIEF[file] ?? file)));
}

// After the ride.
async function compare() {
  const ridden = $('ridden').files[0];
  if (!ridden) throw {faults: [{what: 'no recorded ride', where: '', mend: 'choose its GPX or FIT file'}]};
  $('debrief-text').textContent = 'comparing';
  try {
    const {name} = await upload('/api/track', ridden, {name: ridden.name.replace(/[^A-Za-z0-9 _.-]/g, '_')});
    const heard = await Promise.all([...$('heard').files].map(async file => ({name: file.name, text: await file.text()})));
    const found = await post('/api/debrief', {area: ride.area, ride: ride.tables, track: name, heard, search: plan ? plan.search : null, seq: planSeq, choice: $('ticked').value});
    showDebrief(found);
    $('keep').hidden = false;
    $('keep').onclick = () => guarded(async () => {
      const kept = await post(`/api/debrief/${found.id}/keep`, {});
      ride.tables.learnt = kept.name;
      changed('radio');
      $('keep').hidden = true;
      say(`${kept.name} is used from now on; save the ride to keep it so`);
    });
  } catch (error) { $('debrief-text').replaceChildren(); throw error; }
}

function listen() {
  $('compare').addEventListener('click', () => guarded(compare));
  $('ask').addEventListener('submit', event => { event.preventDefault(); guarded(async () => { await look('area'); begin(); }); });
  $('stop').addEventListener('click', () => guarded(async () => { $('stop').disabled = true; say('stopping'); await search.stop(); }));
  $('area').addEventListener('change', () => guarded(async () => { dropSearch(); clearPlan(); await openArea($('area').value); await look(''); }));
  $('rides').addEventListener('change', () => guarded(async () => {
    const name = $('rides').value;
    $('rides').value = '';
    if (name === '*new') return openRide({name: 'evening', ride: newRide()});
    if (name === '*demo') {
      if (ride.area !== 'demo') { $('area').value = 'demo'; await openArea('demo'); }
      return openRide(await getJson('/api/ride', {demo: 1}));
    }
    if (name) await openRide(await getJson('/api/ride', {name}));
  }));
  $('ride-file').addEventListener('change', () => guarded(async () => {
    const file = $('ride-file').files[0];
    $('ride-file').value = '';
    if (!file) return;
    try {
      await openRide(await upload('/api/ride/read', file, {name: file.name}));
    } catch (error) {
      fail(error);
      $('trouble').querySelector('.lead').textContent += ` in ${file.name}. It was not opened; the page still holds the ride it had.`;
    }
  }));
  $('save').addEventListener('click', () => guarded(() => save(false)));
  $('get-ride').addEventListener('click', () => guarded(async () => {
    const text = await postText('/api/ride/text', {ride: ride.tables, before: ride.before});
    const link = make('a', {href: URL.createObjectURL(new Blob([text], {type: 'application/toml'})), download: `${$('ride-name').value || 'ride'}.toml`});
    link.click();
    URL.revokeObjectURL(link.href);
  }));
  $('unit').addEventListener('change', () => {
    unit.choice = $('unit').value;
    remember('unit', unit.choice);
    drawForm();
    if (plan) draw();
    map.paint();
  });
  $('theme').addEventListener('change', () => { theme($('theme').value); remember('theme', $('theme').value); redrawPictures(); });
  $('layer').addEventListener('change', () => cover());
  for (const id of ['choices', 'trade', 'strip']) {
    for (const touch of ['click', 'keydown']) $(id).addEventListener(touch, hold);
  }
  for (const id of ['choices', 'trade']) {
    $(id).addEventListener('pointerleave', () => setTimeout(() => { if (waiting && !underHand()) adopt(waiting.next, waiting.seq); }, 150));
  }
  $('share').addEventListener('change', () => { const route = plan?.routes.find(r => r.id === chooser.chosen); if (route) drawLinks(route); });
  $('add').addEventListener('click', () => {
    const names = new Set((ride.tables.station ?? []).map(s => s.name));
    let number = names.size + 1;
    while (names.has(`Station ${number}`)) number++;
    const [x, y] = [map.view.x, map.view.y];
    guarded(async () => {
      const place = await getJson('/api/place', {area: ride.area, x, y});
      ride.tables.station = [...(ride.tables.station ?? []), {name: `Station ${number}`, position: place.position, kind: 'vertical on the chimney'}];
      changed('station');
    });
  });
  $('has-net').addEventListener('change', () => {
    ride.tables.net = $('has-net').checked ? [{name: 'net', frequency_mhz: 145.5, mode: 'FM', begins: '19:30', lasts_min: 60}] : [];
    drawNet();
    changed('net');
  });
  $('zoom-in').addEventListener('click', () => map.zoom(1.5));
  $('zoom-out').addEventListener('click', () => map.zoom(1 / 1.5));
  $('fit').addEventListener('click', () => map.fitRide());
  $('all').querySelector('details').addEventListener('toggle', drawKeys);
  let width = innerWidth, resized;
  addEventListener('resize', () => {
    if (innerWidth === width) return;
    width = innerWidth;
    clearTimeout(resized);
    resized = setTimeout(() => plan && draw(), 250);
  });
  matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => map.recolour());
}

function remember(name, value) { try { localStorage.setItem(name, value); } catch { /* not kept */ } }
function recall(name) { try { return localStorage.getItem(name) ?? ''; } catch { return ''; } }
function theme(name) { if (name) document.documentElement.dataset.theme = name; else delete document.documentElement.dataset.theme; }

async function start() {
  const roomy = matchMedia('(min-width: 720px)'), tools = () => { $('tools').open = roomy.matches; };
  roomy.addEventListener('change', tools);
  tools();
  unit.choice = ['mi-ft', 'mi'].includes(recall('unit')) ? recall('unit') : 'km';
  $('unit').value = unit.choice;
  $('theme').value = recall('theme');
  theme($('theme').value);
  hello = await getJson('/api/hello');
  vocabulary(hello.fields, hello.words);
  $('folder').textContent = hello.folder;
  $('area').replaceChildren(...hello.areas.map(area => make('option', {value: area.key}, area.name)));
  listRides(hello.rides);
  $('jobs').append(...JOBS.map(([job, label]) => make('label', {}, make('input', {type: 'radio', name: 'job', value: job, onchange: () => {
    ride.job = job;
    dropSearch();
    clearPlan();
    say('');
    showFaults($('trouble'), []);
    drawWish();
  }}), ' ', label)));
  listen();
  const key = hello.areas[0].key;
  await openArea(key);
  await openRide(key === 'demo' ? await getJson('/api/ride', {demo: 1}) : {name: 'evening', ride: newRide()});
  document.body.dataset.ready = '1';
}

window.routeplan = {map, ride};  // for the console
start().catch(fail);
