/* Plates: small pictures of all, one large. */
const wellsOfPlate = lazily(() => {
  const lists = new Map();
  for (const w of range(WELLS.n)) {
    const p = WELLS.plate(w);
    if (!lists.has(p)) lists.set(p, []);
    lists.get(p).push(w);
  }
  return p => lists.get(p) || [];
});
const FORMATS = [[8, 12], [16, 24], [32, 48]];
function formatOf(wells) {
  return FORMATS.find(([rows, cols]) => wells.every(w => WELLS.row(w) < rows && WELLS.col(w) < cols)) || FORMATS[2];
}
function rowLetters(row) { return row < 26 ? String.fromCharCode(65 + row) : 'A' + String.fromCharCode(65 + row - 26); }
function wellKey(w) {
  const role = WELLS.role(w);
  if (role === 'parent') return 'line';
  if (role === 'blank') return 'blank';
  return WELLS.plant(w) >= 0 ? MARK_OF[PLANTS.verdict(WELLS.plant(w))] : 'open';
}
function wellWords(w) {
  const p = WELLS.plant(w);
  const what = WELLS.role(w) === 'parent' ? 'line ' + WELLS.line(w) : WELLS.role(w) === 'blank' ? 'blank'
    : p >= 0 ? PLANTS.plant(p) + ', ' + markOf(PLANTS.verdict(p)).label : WELLS.sample(w);
  return rowLetters(WELLS.row(w)) + (WELLS.col(w) + 1) + ': ' + what + (Number.isFinite(WELLS.call_rate(w)) ? ', called ' + share(WELLS.call_rate(w)) : '');
}

function thumbnail(canvas, wells) {
  const [rows, cols] = formatOf(wells), pitch = rows === 8 ? 9 : rows === 16 ? 5 : 2.5;
  const scale = Math.max(2, window.devicePixelRatio || 1);
  canvas.width = cols * pitch * scale; canvas.height = rows * pitch * scale;
  canvas.style.width = cols * pitch + 'px'; canvas.style.height = rows * pitch + 'px';
  const pen = canvas.getContext('2d'), style = getComputedStyle(document.documentElement);
  const colour = name => style.getPropertyValue(name).trim();
  const inks = {hybrid: colour('--hybrid'), self: colour('--self'), outcross: colour('--outcross'), off: colour('--off'), open: colour('--open'), edge: colour('--edge'), soft: colour('--soft')};
  pen.scale(scale, scale);
  pen.lineWidth = pitch > 6 ? 0.8 : 0.4;
  for (const w of wells) {
    const key = wellKey(w), x = (WELLS.col(w) + 0.5) * pitch, y = (WELLS.row(w) + 0.5) * pitch, r = pitch * 0.4;
    if (key === 'line' || key === 'blank') {
      pen.fillStyle = inks.soft;
      pen.fillRect(x - r, y - 0.5, 2 * r, 1);
      continue;
    }
    pen.beginPath();
    if (key === 'self') pen.rect(x - r * 0.88, y - r * 0.88, r * 1.76, r * 1.76);
    else if (key === 'outcross') { pen.moveTo(x, y - r * 1.15); pen.lineTo(x + r * 1.15, y); pen.lineTo(x, y + r * 1.15); pen.lineTo(x - r * 1.15, y); pen.closePath(); }
    else if (key === 'off') { pen.moveTo(x, y - r * 1.1); pen.lineTo(x + r * 1.1, y + r * 0.9); pen.lineTo(x - r * 1.1, y + r * 0.9); pen.closePath(); }
    else pen.arc(x, y, r, 0, 2 * Math.PI);
    pen.fillStyle = inks[key]; pen.strokeStyle = inks.edge;
    pen.setLineDash(key === 'open' ? [1.2, 1] : []);
    pen.fill(); pen.stroke();
  }
}

function plateMap(wells, label) {
  const [rows, cols] = formatOf(wells), pitch = 34, left = 30, top = 24, cut = 16;
  const w = cols * pitch, h = rows * pitch;
  const map = shape('svg', {class: 'plate-map', viewBox: '0 0 ' + (left + w + 8) + ' ' + (top + h + 8), role: 'img', 'aria-label': label});
  map.append(shape('path', {class: 'tray', d: 'M' + (left - 3 + cut) + ' ' + (top - 3) + 'H' + (left + w + 3) + 'V' + (top + h + 3) + 'H' + (left - 3 + cut) + 'L' + (left - 3) + ' ' + (top + h + 3 - cut) + 'V' + (top - 3 + cut) + 'Z'}));
  for (const c of range(cols)) map.append(shape('text', {class: 'edge', x: left + (c + 0.5) * pitch, y: top - 8, 'text-anchor': 'middle'}, String(c + 1)));
  for (const r of range(rows)) map.append(shape('text', {class: 'edge', x: left - 9, y: top + (r + 0.5) * pitch + 4, 'text-anchor': 'end'}, rowLetters(r)));
  for (const well of wells) {
    const x = left + WELLS.col(well) * pitch, y = top + WELLS.row(well) * pitch, p = WELLS.plant(well), rate = WELLS.call_rate(well);
    const spot = shape('g', {class: p >= 0 ? 'spot' : null}, shape('title', {}, wellWords(well)),
      shape('rect', {x, y, width: pitch, height: pitch, fill: 'none', 'pointer-events': 'all'}),
      shape('use', {href: '#m-' + wellKey(well), x: x + 5.5, y: y + 2, width: 23, height: 23}));
    if (Number.isFinite(rate)) spot.append(
      shape('rect', {class: 'rate-rail', x: x + 5, y: y + 28, width: 24, height: 2.6}),
      shape('rect', {class: 'rate-bar', x: x + 5, y: y + 28, width: (24 * Math.min(1, Math.max(0, rate))).toFixed(1), height: 2.6}));
    if (WELLS.findings(well)) spot.append(shape('circle', {class: 'ring', cx: x + 17, cy: y + 13.5, r: 14.6}));
    if (p >= 0) spot.addEventListener('click', () => openPlant(p, true));
    map.append(spot);
  }
  return map;
}

function platesView(host) {
  if (!PLATES.n) return;
  const detail = node('div', {class: 'plate-detail'});
  const printed = node('div', {class: 'print-only plates-printed'});
  const state = {text: '', only: false, chosen: 0};
  const gallery = node('ul', {class: 'gallery', 'aria-label': 'Plates'});
  const box = node('input', {type: 'checkbox', id: 'plates-only', onchange: e => { state.only = e.target.checked; fillGallery(); }});
  const search = searchBox('Find a plate', text => { state.text = text; fillGallery(); }, 'plates-search');
  if (PLATES.n > 8) host.append(node('div', {class: 'tools'}, search.label, node('div', {class: 'field'}, node('span', {}, box, ' only plates with findings'))));
  if (PLATES.n > 8) box.setAttribute('aria-label', 'only plates with findings');
  host.append(gallery, node('div', {class: 'screen-only'}, detail), printed);
  const seen = new IntersectionObserver(entries => {
    for (const e of entries) if (e.isIntersecting) { seen.unobserve(e.target); thumbnail(e.target, wellsOfPlate(PLATES.plate(Number(e.target.dataset.plate)))); }
  });
  function fillGallery() {
    const good = matcher(state.text);
    const rows = range(PLATES.n).filter(k => good(PLATES.plate(k).toLowerCase()) && (!state.only || PLATES.findings(k)));
    gallery.replaceChildren(...rows.map(k => {
      const canvas = node('canvas', {'data-plate': k, 'aria-hidden': 'true', width: 108, height: 72});
      seen.observe(canvas);
      return node('li', {}, node('button', {type: 'button', 'data-plate': k, 'aria-pressed': String(k === state.chosen), onclick: () => choose(k)}, canvas,
        node('span', {}, node('b', {}, PLATES.plate(k)), ' ', share(PLATES.call_rate(k))),
        PLATES.findings(k) ? node('span', {class: 'flag'}, '! ' + PLATES.findings(k).slice(0, 40)) : null));
    }));
  }
  function wellsFound(wells) {
    const n = wells.filter(w => WELLS.findings(w)).length;
    return 'Nothing was found against the plate as a whole' + (n ? '; ' + noun(n, 'well') + (n === 1 ? ' has a finding of its own (ringed).' : ' have findings of their own (ringed).') : '.');
  }
  function facts(k, wells) {
    const tally = Object.fromEntries(PARTS.map(v => [v, 0]));
    let lines = 0, blanks = 0;
    for (const w of wells) {
      const key = wellKey(w);
      if (key === 'line') lines++; else if (key === 'blank') blanks++;
      else if (WELLS.plant(w) >= 0) tally[PLANTS.pile(WELLS.plant(w)) === 'hold' ? 'held' : PLANTS.verdict(WELLS.plant(w))]++;
    }
    return node('ul', {class: 'key'}, PARTS.filter(v => v !== 'held' || tally[v]).map(v => node('li', {}, markIcon(MARK_OF[v]), count(tally[v]) + ' ' + markOf(v).label)),
      node('li', {}, markIcon('line'), noun(lines, 'parent well')), node('li', {}, markIcon('blank'), noun(blanks, 'blank')),
      node('li', {}, shape('svg', {class: 'm', viewBox: '0 0 24 24', 'aria-hidden': 'true'}, shape('rect', {class: 'rate-rail', x: 0, y: 10, width: 24, height: 4}),
        shape('rect', {class: 'rate-bar', x: 0, y: 10, width: 17, height: 4})), 'call rate of the well'));
  }
  function choose(k) {
    state.chosen = k;
    for (const b of gallery.querySelectorAll('button')) b.setAttribute('aria-pressed', String(Number(b.dataset.plate) === k));
    const wells = wellsOfPlate(PLATES.plate(k));
    const behind = node('details', {class: 'behind'}, node('summary', {}, 'Well by well'));
    behind.addEventListener('toggle', () => { if (behind.open && behind.children.length === 1) behind.append(wellList(wells)); });
    detail.replaceChildren(
      node('div', {class: 'canvas', tabindex: '0', role: 'region', 'aria-label': 'Map of plate ' + PLATES.plate(k)}, plateMap(wells, 'Plate ' + PLATES.plate(k) + '; the list well by well says the same')),
      node('div', {}, node('h4', {}, 'Plate ' + PLATES.plate(k)),
        node('p', {class: 'sub'}, [noun(wells.length, 'well'), PLATES.batch(k) && 'batch ' + PLATES.batch(k),
          Number.isFinite(PLATES.call_rate(k)) && 'call rate ' + share(PLATES.call_rate(k)), PLATES.state(k)].filter(Boolean).join(' · ')),
        PLATES.findings(k) ? node('p', {}, node('strong', {}, 'Found: '), PLATES.findings(k)) : node('p', {}, wellsFound(wells)),
        facts(k, wells), behind));
  }
  function wellList(wells) {
    const sorted = [...wells].sort((a, b) => WELLS.row(a) - WELLS.row(b) || WELLS.col(a) - WELLS.col(b));
    return node('div', {class: 'scroll', tabindex: '0', role: 'region', 'aria-label': 'Wells of the plate'}, node('table', {},
      node('thead', {}, node('tr', {}, ['Well', 'Holds', 'Verdict', 'Called'].map(t => node('th', {scope: 'col'}, t)))),
      node('tbody', {}, sorted.map(w => {
        const p = WELLS.plant(w), role = WELLS.role(w);
        return node('tr', {}, node('th', {scope: 'row'}, rowLetters(WELLS.row(w)) + (WELLS.col(w) + 1)),
          node('td', {}, p >= 0 ? plantLink(p) : role === 'blank' ? 'blank' : role === 'parent' ? 'line ' + WELLS.line(w) : WELLS.sample(w)),
          node('td', {}, p >= 0 ? verdictCell(PLANTS.verdict(p)) : ''), node('td', {class: 'k-number'}, share(WELLS.call_rate(w))));
      }))));
  }
  fillGallery();
  choose(Math.max(0, range(PLATES.n).findIndex(k => PLATES.findings(k))));
  matchMedia('(prefers-color-scheme: dark)').addEventListener('change', fillGallery);
  addEventListener('beforeprint', () => {
    const shown = range(Math.min(PLATES.n, 24));
    printed.replaceChildren(...shown.map(k => node('figure', {}, node('figcaption', {}, node('strong', {}, 'Plate ' + PLATES.plate(k)),
      node('span', {}, PLATES.findings(k) ? 'Found: ' + PLATES.findings(k) : wellsFound(wellsOfPlate(PLATES.plate(k))))), plateMap(wellsOfPlate(PLATES.plate(k)), 'Plate ' + PLATES.plate(k)))),
      PLATES.n > 24 ? node('p', {class: 'more'}, 'Printed here: 24 of ' + count(PLATES.n) + ' plates.') : '');
  });
  addEventListener('afterprint', () => printed.replaceChildren());
}
