/* The list to walk the benches with. */
function plantLink(i) {
  const name = PLANTS.plant(i);
  return node('button', {type: 'button', class: 'link' + (name.length > 36 ? ' long' : ''), onclick: () => openPlant(i, true)}, name);
}
const wellRank = (() => {
  const plate = lazily(() => ranks(PLANTS.n, PLANTS.plate));
  return i => {
    const place = /^([A-Za-z]{1,2})0*(\d+)$/.exec(PLANTS.well(i).trim());
    if (!place || !PLANTS.plate(i)) return NaN;
    const letters = place[1].toUpperCase();
    const row = letters.length === 1 ? letters.charCodeAt(0) - 65 : 26 + letters.charCodeAt(1) - 65;
    return plate(i) * 1e5 + row * 100 + Number(place[2]);
  };
})();
/* By place as people count (tray 2 before tray 10), then by plate and well; plants without a place come last. */
const placeRank = (() => {
  const rank = lazily(() => {
    const place = ranks(PLANTS.n, PLANTS.place), well = i => Number.isNaN(wellRank(i)) ? Infinity : wellRank(i);
    const order = range(PLANTS.n).filter(i => PLANTS.place(i)).sort((a, b) => place(a) - place(b) || well(a) - well(b) || a - b);
    const at = new Map(order.map((i, k) => [i, k]));
    return i => at.has(i) ? at.get(i) : NaN;
  });
  return rank;
})();
function plantChance(i) {
  const verdict = PLANTS.verdict(i);
  return PLANTS['p_' + (verdict === 'undetermined' ? PLANTS.leading_class(i) : verdict)]?.(i) ?? NaN;
}

function plantsView(host) {
  const every = Object.keys(DATA.piles);
  const byPile = Object.fromEntries(every.map(d => [d, []]));
  for (const i of range(PLANTS.n)) byPile[PLANTS.pile(i)]?.push(i);
  const piles = [...every.filter(d => byPile[d].length || (d !== 'hold' && d !== 'wait')), 'all'];
  const rowsOf = pile => pile === 'all' ? range(PLANTS.n) : byPile[pile];
  const state = {pile: 'all', text: ''};
  const buttons = piles.map(pile => node('button', {type: 'button', 'data-pile': pile, onclick: () => pick(pile)},
    pile === 'all' ? 'All ' : DATA.piles[pile][0] + ' ', node('b', {}, count(rowsOf(pile).length))));
  const placed = range(PLANTS.n).some(i => PLANTS.place(i));
  const search = searchBox('Scan a label, or find plant, place, sample, cross, line, plate or person', text => { state.text = text; refresh(); }, 'plants-search');
  const order = node('select', {id: 'plants-order', onchange: e => table.order(Number(e.target.value), true)},
    node('option', {value: '1'}, placed ? 'place' : 'plate and well'), node('option', {value: placed ? '5' : '4'}, 'cross'), node('option', {value: '0'}, 'plant'));
  host.append(node('div', {class: 'tools'},
    node('div', {class: 'field'}, 'Pile', node('div', {class: 'piles', role: 'group', 'aria-label': 'Pile of plants'}, buttons)),
    node('label', {}, 'In order of', order), search.label,
    node('button', {type: 'button', class: 'act', onclick: () => printOnly('plants')}, 'Print this list')));
  const scan = scanPlace(search.input);
  host.append(scan.place);
  search.input.addEventListener('keydown', e => { if (e.key === 'Enter') { e.preventDefault(); scan.take(); } });
  const heading = node('h3', {class: 'print-only'});
  host.append(heading);
  const verdictRank = {hybrid: 0, self: 1, outcross: 2, off_pedigree: 3, undetermined: 4};
  const table = pagedTable(host, {
    id: 'plants-table', caption: 'Plants with verdict and decision', rows: range(PLANTS.n), size: 25, sort: [1, true],
    columns: [
      {label: 'Plant', kind: 'name', order: lazily(() => ranks(PLANTS.n, PLANTS.plant)), cell: plantLink},
      ...(placed ? [{label: 'Place', kind: 'name', order: placeRank, cell: i => PLANTS.place(i)}] : []),
      {label: 'Well', kind: 'name', order: wellRank, cell: i => (PLANTS.plate(i) + ' ' + PLANTS.well(i)).trim()},
      {label: 'Decision', first: true, order: i => every.indexOf(PLANTS.pile(i)), cell: i => DATA.piles[PLANTS.pile(i)]?.[0] || PLANTS.decision(i)},
      {label: 'Verdict', order: i => verdictRank[PLANTS.verdict(i)], cell: i => verdictCell(PLANTS.verdict(i))},
      {label: 'Cross', kind: 'name', order: lazily(() => ranks(PLANTS.n, PLANTS.cross_id)), cell: i => PLANTS.cross_id(i)},
      {label: 'Mother × father', kind: 'name', order: lazily(() => ranks(PLANTS.n, i => PLANTS.mother(i) + '\n' + PLANTS.father(i))),
        cell: i => (PLANTS.mother(i) || 'unknown') + ' × ' + (PLANTS.father(i) || 'unknown')},
      {label: 'Probability', kind: 'number', order: plantChance, cell: i => probability(plantChance(i))},
      {label: 'Called', kind: 'number', order: PLANTS.call_rate, cell: i => share(PLANTS.call_rate(i))},
      {label: 'Remark', order: lazily(() => ranks(PLANTS.n, PLANTS.reason)), cell: i => (PLANTS.pile(i) === 'wait' && PLANTS.settle(i) ? PLANTS.reason(i) + ': ' + PLANTS.settle(i) : PLANTS.reason(i)) || (DATA.unexpected.includes(PLANTS.verdict(i)) && PLANTS.likely_source(i) ? 'likely ' + PLANTS.likely_source(i) : '')},
    ],
  });
  function pick(pile) {
    state.pile = pile;
    buttons.forEach(b => b.setAttribute('aria-pressed', String(b.dataset.pile === pile)));
    refresh();
  }
  function refresh() {
    const rows = rowsOf(state.pile);
    const good = matcher(state.text);
    const found = state.text.trim() ? rows.filter(i => good(haystack(i))) : rows;
    table.show(found);
    heading.textContent = (state.pile === 'all' ? 'All plants' : DATA.piles[state.pile].join(': ').replace(/\.$/, '')) + ' (' + count(found.length) + ')';
    if (state.text) announce(noun(found.length, 'plant') + ' found');
  }
  pick('all');
  for (const card of document.querySelectorAll('[data-pick]')) {
    card.addEventListener('click', () => pick(card.dataset.pick));
  }
}
