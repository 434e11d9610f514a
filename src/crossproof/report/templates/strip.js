/* Calls of one plant along the chromosomes. Each contrast marker is a pair of halves: the upper is filled where the
   plant carries the mother's allele, the lower where it carries the father's. A hybrid has both everywhere. */
async function inflated(text) {
  const raw = atob(text), bytes = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream('deflate'));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}
const CALLS = DATA.calls;
let store = null;
async function callStore() {
  if (!store) {
    const [two, wide] = await Promise.all([inflated(CALLS.packed), inflated(CALLS.wide)]);
    const place = [];
    let a = 0, b = 0;
    for (const isTwo of CALLS.two) place.push(isTwo ? a++ : b++);
    store = {two, wide, place, rowBytes: Math.ceil(a / 4), rowWide: b, line: new Map(CALLS.lines.map((n, i) => [n, PLANTS.n + i]))};
  }
  return store;
}
/* Genotype number at a marker of one row (a plant, or a line after all plants); -1 where unknown. */
function genotype(row, j) {
  if (row === undefined) return -1;
  const k = store.place[j];
  if (CALLS.two[j]) {
    const v = (store.two[row * store.rowBytes + (k >> 2)] >> (2 * (k & 3))) & 3;
    return v === 3 ? -1 : v;
  }
  const v = store.wide[row * store.rowWide + k];
  return v === 255 ? -1 : v;
}
function allelesOf(code) {
  let b = 0;
  while ((b + 1) * (b + 2) / 2 <= code) b++;
  return [code - b * (b + 1) / 2, b];
}
function readMarker(mother, father, plant) {
  const out = {kind: 'open', up: false, down: false, foreign: false, reading: ''};
  const m = mother < 0 ? null : allelesOf(mother), f = father < 0 ? null : allelesOf(father), p = plant < 0 ? null : allelesOf(plant);
  const fixed = m && f && m[0] === m[1] && f[0] === f[1];
  if (fixed) out.kind = m[0] === f[0] ? 'shared' : 'contrast';
  if (!p) { out.reading = 'not scored'; return out; }
  if (!m || !f) { out.reading = 'a parent is not known'; return out; }
  const known = [...m, ...f];
  out.foreign = p.some(x => !known.includes(x));
  if (out.kind === 'contrast') { out.up = p.includes(m[0]); out.down = p.includes(f[0]); }
  out.reading = out.foreign ? 'allele of neither parent' : !fixed ? 'a parent is not fixed here' : out.kind === 'shared' ? 'as both parents'
    : p[0] !== p[1] ? 'one allele of each parent' : out.up ? "mother's allele only" : "father's allele only";
  return out;
}
function genotypeText(code, j) {
  if (code < 0) return '-';
  const names = CALLS.alleles.d[CALLS.alleles.i[j]], [a, b] = allelesOf(code);
  return names[a] + '/' + names[b];
}
const markerName = CALLS ? column(CALLS.markers) : null, markerChrom = CALLS ? column(CALLS.chrom) : null;

function plantMarkers(i) {
  const m = store.line.get(PLANTS.mother(i)), f = store.line.get(PLANTS.father(i));
  return range(CALLS.pos.length).map(j => {
    const codes = [genotype(m, j), genotype(f, j), genotype(i, j)];
    return {j, codes, ...readMarker(...codes)};
  });
}

function strip(markers, label) {
  const chroms = new Map();
  for (const x of markers) {
    const c = markerChrom(x.j);
    if (!chroms.has(c)) chroms.set(c, []);
    chroms.get(c).push(x);
  }
  /* Few markers leave a full row half empty: then two chromosomes share it. */
  const across = markers.length <= 240 && chroms.size > 1 ? 2 : 1;
  const left = 74, width = across === 2 ? 450 : 1000, high = 46, end = CALLS.pos.reduce((a, b) => Math.max(a, b), 1);
  const rows = Math.ceil(chroms.size / across), pane = left + width + 12;
  const svg = shape('svg', {class: 'strip', viewBox: '0 0 ' + pane * across + ' ' + (rows * high + 14), role: 'img', 'aria-label': label});
  let k = 0;
  for (const [chrom, list] of chroms) {
    const mid = 8 + (k % rows) * high + high / 2 - 1, start = left + Math.floor(k / rows) * pane;
    const placed = spread(list, end, width);
    const last = Math.max(...placed.xs, 12);
    svg.append(shape('text', {x: start - 14, y: mid + 4, 'text-anchor': 'end'}, (chrom || 'unplaced').slice(0, 10)),
      shape('line', {class: 'axis', x1: start - 6, x2: start + last + 8, y1: mid, y2: mid}));
    list.forEach((x, at) => svg.append(...glyph(x, start + placed.xs[at], mid, placed.w)));
    k++;
  }
  return svg;
}
/* Places along the chromosome, moved apart just enough that no mark hides another. */
function spread(list, end, width) {
  const w = Math.max(1.6, Math.min(9, 0.72 * width / Math.max(list.length, 1))), gap = w * 1.25;
  const positioned = list.some(x => CALLS.pos[x.j] > 0);
  const xs = list.map((x, k) => positioned ? CALLS.pos[x.j] / end * (width - gap) : k * Math.max(gap, 14));
  for (let k = 1; k < xs.length; k++) xs[k] = Math.max(xs[k], xs[k - 1] + gap);
  const over = xs.length ? xs[xs.length - 1] - (width - gap) : 0;
  if (over > 0) {
    xs[xs.length - 1] -= over;
    for (let k = xs.length - 2; k >= 0; k--) xs[k] = Math.min(xs[k], xs[k + 1] - gap);
    if (xs[0] < 0) xs.forEach((_, k) => { xs[k] = k * (width - gap) / Math.max(1, xs.length - 1); });
  }
  return {xs, w};
}
function glyph(x, left, mid, w) {
  const parts = [], words = shape('title', {}, markerName(x.j) + ': ' + x.reading);
  const half = 13;
  if (x.kind === 'contrast' && x.codes[2] >= 0) {
    parts.push(shape('rect', {class: 'half' + (x.up ? ' from-mother' : ''), x: left, y: mid - half - 0.8, width: w, height: half}),
      shape('rect', {class: 'half' + (x.down ? ' from-father' : ''), x: left, y: mid + 0.8, width: w, height: half}));
  } else if (x.kind === 'contrast') {
    parts.push(shape('circle', {class: 'gap', cx: left + w / 2, cy: mid, r: Math.min(1.8, w / 2)}));
  } else if (x.kind === 'shared' && x.codes[2] >= 0 && !x.foreign) {
    parts.push(shape('rect', {class: 'same', x: left, y: mid - 3.2, width: w, height: 6.4}));
  }
  if (x.foreign) {
    const c = left + w / 2, r = Math.max(4, Math.min(6, w));
    parts.push(shape('path', {class: 'foreign', d: 'M' + c + ' ' + (mid - r) + 'l' + r + ' ' + r + 'l' + -r + ' ' + r + 'l' + -r + ' ' + -r + 'z'}));
  }
  return parts.length ? [shape('g', {}, words, parts)] : [];
}
function stripKey() {
  const item = (draw, words) => node('li', {}, shape('svg', {class: 'strip', viewBox: '0 0 22 28', 'aria-hidden': 'true'}, draw), words);
  const contrast = (up, down) => glyph({j: 0, kind: 'contrast', up, down, foreign: false, codes: [0, 2, 1], reading: ''}, 7, 14, 8)[0];
  return node('ul', {class: 'strip-key'},
    item(contrast(true, true), "an allele of each parent, as in a hybrid"), item(contrast(true, false), "mother's allele only, as in a self"),
    item(contrast(false, true), "father's allele only"),
    item(glyph({j: 0, kind: 'shared', foreign: true, codes: [0, 0, 1], reading: ''}, 7, 14, 8)[0], 'an allele of neither parent'),
    item(glyph({j: 0, kind: 'shared', foreign: false, codes: [0, 0, 0], reading: ''}, 7, 14, 8)[0], 'parents alike, plant like them'),
    item(glyph({j: 0, kind: 'contrast', foreign: false, codes: [0, 2, -1], reading: ''}, 7, 14, 8)[0], 'not scored'));
}
