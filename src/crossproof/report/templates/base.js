const DATA = JSON.parse(document.getElementById('data').textContent);
const SVG = 'http://www.w3.org/2000/svg';
const NO_BREAK = '\u00a0';

/* Text enters the page through textContent and nothing else: a plant may be called after a tag. */
function node(tag, attributes, ...kids) {
  return furnish(document.createElement(tag), attributes, kids);
}
function shape(tag, attributes, ...kids) {
  return furnish(document.createElementNS(SVG, tag), attributes, kids);
}
function furnish(element, attributes, kids) {
  for (const [name, value] of Object.entries(attributes || {})) {
    if (name.startsWith('on')) element.addEventListener(name.slice(2), value);
    else if (value !== undefined && value !== null && value !== false) element.setAttribute(name, value);
  }
  for (const kid of kids.flat()) if (kid !== null && kid !== undefined) element.append(kid);
  return element;
}

function column(coded) {
  if (coded.s) return i => coded.s[i];
  if (coded.d) return i => coded.d[coded.i[i]];
  return i => coded.v[i] === null || coded.v[i] === undefined ? NaN : coded.v[i] / coded.q;
}
function columns(table) {
  const out = {n: table.n};
  for (const [name, coded] of Object.entries(table)) {
    if (name !== 'n') out[name] = Array.isArray(coded) ? i => coded[i] : column(coded);
  }
  return out;
}
function range(n) { return Array.from({length: n}, (_, i) => i); }

const PLANTS = columns(DATA.plants), CROSSES = columns(DATA.crosses);
const WELLS = columns(DATA.wells), PLATES = columns(DATA.plates);

const MARK_OF = {hybrid: 'hybrid', self: 'self', outcross: 'outcross', off_pedigree: 'off', undetermined: 'open', held: 'held'};
const MARKS = Object.fromEntries(DATA.marks.map(m => [m.key, m]));
function markOf(verdict) { return MARKS[MARK_OF[verdict] || 'open']; }
function markIcon(key) { return shape('svg', {class: 'm', 'aria-hidden': 'true'}, shape('use', {href: '#m-' + key})); }
function verdictCell(verdict) {
  const mark = markOf(verdict);
  return [markIcon(mark.key), NO_BREAK + mark.label];
}

function count(x) { return Number.isFinite(x) ? Math.round(x).toLocaleString('en-US') : ''; }
function decimal(x, digits) { return Number.isFinite(x) ? x.toFixed(digits) : ''; }
function share(x) {
  if (!Number.isFinite(x)) return '';
  const percent = 100 * x;
  let text = percent.toFixed((percent >= 1 && percent <= 99) || percent === 0 || percent === 100 ? 0 : 1);
  if (text === '100.0') text = 'over 99.9';
  else if (text === '0.0' && percent > 0) text = 'under 0.1';
  return text + NO_BREAK + '%';
}
function span(low, high) {
  return Number.isFinite(low) && Number.isFinite(high) ? share(low).replace(NO_BREAK + '%', '') + ' to ' + share(high) : '';
}
function probability(x) {
  if (!Number.isFinite(x)) return '';
  if (x < 0.0005) return '< 0.001';
  if (x > 0.9995) return '> 0.999';
  return x.toFixed(3);
}
function factor(power) {
  if (!Number.isFinite(power)) return '';
  const p = Math.abs(power);
  if (p < 3) return (10 ** p).toFixed(p >= 1 ? 0 : 1);
  return '10' + p.toFixed(0).replace(/\d/g, d => '⁰¹²³⁴⁵⁶⁷⁸⁹'[d]);
}
function noun(n, one, many) { return count(n) + NO_BREAK + (n === 1 ? one : many || one + 's'); }

/* Long names may break anywhere; short ones never do. */
function nameClass(text) { return text.length > 36 ? 'long' : 'k-name'; }

const COLLATOR = new Intl.Collator('en', {numeric: true, sensitivity: 'base'});
/* Place of each row's text in sorted order; each distinct text is compared once. */
function ranks(n, text) {
  const distinct = [...new Set(range(n).map(text))].sort(COLLATOR.compare);
  const place = new Map(distinct.map((t, i) => [t, i]));
  return i => place.get(text(i));
}
function lazily(make) {
  let value;
  return (...rest) => (value === undefined ? (value = make()) : value)(...rest);
}
function announce(text) { document.getElementById('announcer').textContent = text; }
document.body.append(node('p', {id: 'announcer', class: 'unseen', 'aria-live': 'polite'}));
