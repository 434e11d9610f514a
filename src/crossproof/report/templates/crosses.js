/* Crosses, each opening to its plants. */
const PARTS = ['hybrid', 'self', 'outcross', 'off_pedigree', 'undetermined', 'held'];

function partsBar(i) {
  const total = PARTS.reduce((sum, v) => sum + (CROSSES[v](i) || 0), 0);
  if (!total) return '';
  const words = PARTS.filter(v => CROSSES[v](i) > 0).map(v => markOf(v).label + ' ' + count(CROSSES[v](i))).join(', ');
  const bar = shape('svg', {class: 'mini', viewBox: '0 0 120 15', role: 'img', 'aria-label': words});
  let x = 0;
  for (const v of PARTS) {
    const n = CROSSES[v](i) || 0, width = 120 * n / total;
    if (!n) continue;
    bar.append(shape('rect', {class: 'fill-' + (MARK_OF[v] || 'open'), x: x.toFixed(1), y: 1, width: width.toFixed(1), height: 13}));
    if (width >= 13) bar.append(shape('text', {class: 'on-' + (MARK_OF[v] || 'open'), x: (x + width / 2).toFixed(1), y: 11.2, 'text-anchor': 'middle', 'aria-hidden': 'true'}, markOf(v).letter));
    x += width;
  }
  bar.append(shape('title', {}, words));
  return bar;
}
const plantsOfCross = lazily(() => {
  const lists = new Map();
  for (const i of range(PLANTS.n)) {
    const c = PLANTS.cross_id(i);
    if (!lists.has(c)) lists.set(c, []);
    lists.get(c).push(i);
  }
  return c => lists.get(c) || [];
});
function crossDetails(i) {
  const plants = plantsOfCross(CROSSES.cross_id(i));
  const facts = [
    CROSSES.date(i) && 'made ' + CROSSES.date(i), CROSSES.operator(i) && 'by ' + CROSSES.operator(i),
    Number.isFinite(CROSSES.contrast_markers(i)) && noun(CROSSES.contrast_markers(i), 'contrast marker'),
    Number.isFinite(CROSSES.true_success(i)) && 'true success ' + share(CROSSES.true_success(i)) + ' (' +
      span(CROSSES.true_success_low(i), CROSSES.true_success_high(i)) + ')',
    CROSSES.findings(i),
  ].filter(Boolean).join(' · ');
  return [node('p', {class: 'sub'}, facts), plants.length
    ? node('ul', {class: 'chips'}, plants.map(p => node('li', {}, markIcon(markOf(PLANTS.verdict(p)).key),
        node('span', {}, plantLink(p), ' ', node('small', {}, markOf(PLANTS.verdict(p)).label + ' ' + probability(plantChance(p)))))))
    : node('p', {}, 'No plant of this cross has been genotyped.')];
}

function crossesView(host) {
  if (!CROSSES.n) return;
  const stepRank = i => DATA.steps.indexOf(CROSSES.next_step(i));
  const steps = DATA.steps.filter(s => range(CROSSES.n).some(i => CROSSES.next_step(i) === s));
  const state = {text: '', step: '', lack: false};
  const search = searchBox('Find cross, line, person or date', text => { state.text = text; refresh(); }, 'crosses-search');
  const step = node('select', {id: 'crosses-step', onchange: e => { state.step = e.target.value; refresh(); }},
    node('option', {value: ''}, 'any'), steps.map(s => node('option', {value: s}, s.slice(0, 80))));
  host.append(node('div', {class: 'tools'}, search.label, steps.length ? node('label', {}, 'Next step', step) : null));
  const number = (label, key) => ({label, kind: 'number', order: CROSSES[key], cell: i => count(CROSSES[key](i))});
  const lines = range(CROSSES.n).map(i => [CROSSES.cross_id, CROSSES.mother, CROSSES.father, CROSSES.operator, CROSSES.date]
    .map(c => c(i)).join('\n').toLowerCase());
  const table = pagedTable(host, {
    id: 'crosses-table', caption: 'Crosses with their plants', rows: range(CROSSES.n), size: 25, sort: [0, true], details: crossDetails,
    columns: [
      {label: 'Cross', kind: 'name', order: lazily(() => ranks(CROSSES.n, CROSSES.cross_id)),
        cell: i => node('button', {type: 'button', class: 'open-row' + (CROSSES.cross_id(i).length > 36 ? ' long' : '')}, CROSSES.cross_id(i))},
      {label: 'Mother × father', kind: 'name', order: lazily(() => ranks(CROSSES.n, i => CROSSES.mother(i) + '\n' + CROSSES.father(i))),
        cell: i => (CROSSES.mother(i) || 'unknown') + ' × ' + (CROSSES.father(i) || 'unknown')},
      {label: 'Next step', kind: 'text', first: true, order: stepRank,
        cell: i => [node('b', {}, CROSSES.next_step(i)), CROSSES.next_step_detail(i) ? ': ' + CROSSES.next_step_detail(i) : '']},
      number('Flowers', 'flowers'), number('Pods', 'pods'), number('Tested', 'tested'),
      {label: 'Verdicts', order: i => CROSSES.tested(i) ? CROSSES.hybrid(i) / CROSSES.tested(i) : NaN, cell: partsBar},
      {label: 'Hybrids (wanted)', kind: 'number', order: CROSSES.hybrid,
        cell: i => count(CROSSES.hybrid(i)) + (Number.isFinite(CROSSES.target(i)) ? ' (' + count(CROSSES.target(i)) + ')' : '')},
      {label: 'Hybrid rate (95\u00a0% interval)', kind: 'number', order: CROSSES.hybrid_rate,
        cell: i => [share(CROSSES.hybrid_rate(i)), span(CROSSES.hybrid_rate_low(i), CROSSES.hybrid_rate_high(i))].map((t, k) => k && t ? '(' + t + ')' : t).filter(Boolean).join(' ')},
    ],
  });
  function refresh() {
    const good = matcher(state.text);
    const found = range(CROSSES.n).filter(i => (!state.step || CROSSES.next_step(i) === state.step) && good(lines[i]));
    table.show(found);
    announce(noun(found.length, 'cross', 'crosses') + ' found');
  }
}
