/* One plant: the words, the probabilities and the calls. */
const FORMS = {n: count, m: x => noun(x, 'marker'), s: share, p: probability, x: factor};
function fillWords(template, i) {
  const text = template.replace(/\{(\w+)(?:\|(\w))?\}/g, (_, name, form) => {
    if (form && form !== 't') return FORMS[form](PLANTS[name](i));
    const value = PLANTS[name](i);
    return name === 'leading_class' ? value.replaceAll('_', ' ') : value.replace(/\.$/, '');
  });
  return /[.!?]$/.test(text) ? text : text + '.';
}
function plantWords(i) { return PLANTS.says(i).split(' ').map(key => fillWords(DATA.words[key], i)); }

let openPlant = () => {};
function plantView(host) {
  if (!PLANTS.n) { host.append(node('p', {}, 'No plant has been genotyped yet.')); return; }
  const hits = node('ul', {class: 'hits', 'aria-label': 'Plants found'});
  const status = node('p', {class: 'sub', role: 'status'});
  const search = searchBox('Scan a label, or find plant, sample, cross or parent', find, 'plant-search');
  const scan = scanPlace(search.input);
  const stage = node('div', {class: 'one', tabindex: '-1', id: 'plant-stage'});
  host.append(node('div', {class: 'tools'}, search.label, node('button', {type: 'button', class: 'act', onclick: () => printOnly('plant')}, 'Print this plant')), scan.place, status, hits, stage);
  search.input.addEventListener('keydown', e => {
    if (e.key !== 'Enter') return;
    /* A label shows its plant and leaves the field ready; a name that was typed leads to its plant. */
    const typed = search.input.value.trim(), hit = typed.includes('.') ? scan.take() : null;
    if (hit) { find(''); if (hit.plant !== undefined) openPlant(hit.plant, false); }
    else { if (!hits.querySelector('button')) find(typed); hits.querySelector('button')?.click(); }
  });
  function find(text) {
    const good = matcher(text), found = [];
    let total = 0;
    if (text.trim()) for (let i = 0; i < PLANTS.n; i++) if (good(haystack(i))) { total++; if (found.length < 12) found.push(i); }
    hits.replaceChildren(...found.map(i => node('li', {}, node('button', {type: 'button', onclick: () => openPlant(i, true)},
      markIcon(markOf(PLANTS.verdict(i)).key), PLANTS.plant(i)))));
    status.textContent = !text.trim() ? '' : total > 12 ? 'The first 12 of ' + count(total) + ' found' : noun(total, 'plant') + ' found';
  }
  let ticket = 0;
  openPlant = async (i, travel) => {
    const mine = ++ticket;
    const verdict = PLANTS.verdict(i), mark = markOf(verdict), decision = DATA.piles[PLANTS.pile(i)];
    const pictures = node('div', {});
    stage.replaceChildren(
      node('h3', {}, PLANTS.plant(i)),
      node('p', {class: 'pedigree'}, node('b', {}, (PLANTS.mother(i) || 'unknown') + ' × ' + (PLANTS.father(i) || 'unknown')),
        [PLANTS.cross_id(i) && 'cross ' + PLANTS.cross_id(i), PLANTS.date(i), PLANTS.operator(i) && 'crossed by ' + PLANTS.operator(i),
          PLANTS.place(i) && 'stands at ' + PLANTS.place(i), PLANTS.plate(i) && 'plate ' + PLANTS.plate(i) + ' well ' + PLANTS.well(i), PLANTS.sample_id(i) && 'sample ' + PLANTS.sample_id(i)]
          .filter(Boolean).map(t => ' · ' + t).join('')),
      node('div', {class: 'evidence'},
        node('div', {},
          node('div', {class: 'verdict'}, shape('svg', {viewBox: '0 0 24 24', 'aria-hidden': 'true'}, shape('use', {href: '#m-' + mark.key})),
            node('div', {}, node('strong', {}, mark.label[0].toUpperCase() + mark.label.slice(1)), decision ? decision[0] + ': ' + decision[1] : PLANTS.decision(i))),
          chances(i)),
        node('div', {class: 'says'}, plantWords(i).map(t => node('p', {}, t)))),
      pictures);
    if (travel) {
      history.replaceState(null, '', '#plant=' + encodeURIComponent(PLANTS.plant(i)));
      document.getElementById('plant').scrollIntoView();
      stage.focus({preventScroll: true});
    }
    if (!CALLS) { pictures.append(node('p', {class: 'sub'}, 'Calls are not stored in this report.')); return; }
    try {
      await callStore();
    } catch {
      /* Browsers from before 2023 cannot unpack the calls; everything else on the page works in them. */
      pictures.replaceChildren(node('p', {class: 'sub'}, 'This browser is too old to unpack the calls. crossproof explain prints them.'));
      return;
    }
    if (mine !== ticket) return;
    const markers = plantMarkers(i);
    pictures.append(...calls(i, markers));
  };
  function chances(i) {
    const grid = node('div', {class: 'bars'});
    for (const v of DATA.classes) {
      const p = PLANTS['p_' + v](i), bar = shape('svg', {class: 'bar', viewBox: '0 0 100 13', preserveAspectRatio: 'none', 'aria-hidden': 'true'},
        shape('rect', {class: 'rail', x: 0.5, y: 0.5, width: 99, height: 12, 'vector-effect': 'non-scaling-stroke'}));
      if (Number.isFinite(p)) bar.append(shape('rect', {class: 'fill-' + MARK_OF[v], x: 0.5, y: 0.5, width: (99 * p).toFixed(2), height: 12, 'vector-effect': 'non-scaling-stroke'}));
      grid.append(markIcon(MARK_OF[v]), node('span', {}, markOf(v).label), bar, node('span', {class: 'num'}, probability(p)));
    }
    return grid;
  }
  function calls(i, markers) {
    const tally = {};
    for (const x of markers) {
      const key = x.kind + ':' + x.reading;
      tally[key] = (tally[key] || 0) + 1;
    }
    const contrast = markers.filter(x => x.kind === 'contrast').length;
    const n = key => tally['contrast:' + key] || 0;
    const foreign = markers.filter(x => x.foreign).length;
    const sentence = 'Of ' + noun(contrast, 'contrast marker') + ' drawn here ' + noun(n('one allele of each parent'), 'shows', 'show') + ' an allele of each parent, ' +
      count(n("mother's allele only")) + " the mother's only, " + count(n("father's allele only")) + " the father's only, and " + noun(n('not scored'), 'was', 'were') +
      ' not scored. ' + noun(foreign, 'call carries', 'calls carry') + ' an allele found in neither parent.' +
      (CALLS.total > CALLS.pos.length ? ' The page carries ' + count(CALLS.pos.length) + ' of ' + count(CALLS.total) + ' markers; crossproof explain lists them all.' : '');
    const behind = node('details', {class: 'behind'}, node('summary', {}, 'Marker by marker'));
    behind.addEventListener('toggle', () => { if (behind.open && behind.children.length === 1) behind.append(markerTable(markers)); });
    return [node('figure', {}, node('figcaption', {}, node('strong', {}, 'Calls along the chromosomes'), node('span', {}, sentence)),
      node('div', {class: 'canvas', tabindex: '0', role: 'region', 'aria-label': 'Calls along the chromosomes'}, strip(markers, sentence)), stripKey(), behind)];
  }
  function markerTable(markers) {
    return node('div', {class: 'scroll', tabindex: '0', role: 'region', 'aria-label': 'Marker by marker'}, node('table', {},
      node('thead', {}, node('tr', {}, ['Marker', 'Place', 'Mother', 'Father', 'Plant', 'Kind', 'Reading'].map(t => node('th', {scope: 'col'}, t)))),
      node('tbody', {}, markers.map(x => node('tr', {}, node('th', {scope: 'row', class: nameClass(markerName(x.j))}, markerName(x.j)),
        [markerChrom(x.j) ? markerChrom(x.j) + ':' + CALLS.pos[x.j] : '', ...x.codes.map(c => genotypeText(c, x.j)),
          x.kind === 'open' ? 'not informative' : x.kind, x.reading].map(t => node('td', {class: 'k-name'}, t)))))));
  }
  openPlant(firstPlant(), false);
}
/* The view opens on a plant worth a look: one with a verdict other than hybrid, if there is one. */
function firstPlant() {
  const odd = range(PLANTS.n).find(i => PLANTS.verdict(i) === 'self');
  return odd === undefined ? 0 : odd;
}
function openFromAddress() {
  const wanted = /^#plant=(.*)$/.exec(location.hash);
  if (!wanted) return;
  let name = '';
  try { name = decodeURIComponent(wanted[1]); } catch { return; }
  const i = range(PLANTS.n).find(k => PLANTS.plant(k) === name);
  if (i !== undefined) openPlant(i, true);
}
