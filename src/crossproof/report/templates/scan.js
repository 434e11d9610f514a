/* A scanner types the code of a plant and Enter: the decision in letters to be read from two metres. */
function codePart(text) {
  return encodeURIComponent(text).replace(/[!'()*.]/g, c => '%' + c.charCodeAt(0).toString(16).toUpperCase());
}
/* As in field/codes.py: season, tag, and the plant by what stands behind its tag, or by its whole name. */
function codeOf(i) {
  const start = PLANTS.cross_id(i) + '-', name = PLANTS.plant(i);
  const own = name.startsWith(start) && name.length > start.length ? name.slice(start.length) : '=' + name;
  return [DATA.season, PLANTS.cross_id(i), own].map(codePart).join('.').toLowerCase();
}
const plantsByCode = lazily(() => {
  const found = new Map();
  const add = (key, i) => { if (key) found.set(key, [...new Set([...(found.get(key) || []), i])]); };
  for (const i of range(PLANTS.n)) {
    if (DATA.season && PLANTS.cross_id(i)) add(codeOf(i), i);
    add(PLANTS.plant(i).toLowerCase(), i);
  }
  return key => found.get(key) || [];
});
/* What a scanned or typed text stands for; null where it is words to search by. */
function scanned(text) {
  const key = text.trim().toLowerCase(), plants = plantsByCode(key);
  if (plants.length === 1) return {plant: plants[0]};
  if (plants.length > 1) return {word: 'Two plants', says: text + ' is the name of ' + noun(plants.length, 'plant') + '. Scan the code of the label.'};
  const code = /^(\d{4,6})\.([^.\s]+)(\.[^.\s]+)?$/.exec(key);
  if (code && DATA.season && code[1] !== DATA.season) return {word: 'Other season', says: 'This label is of season ' + code[1] + ', not of ' + DATA.season + '. Decide nothing by it.'};
  if (code && !code[3]) {
    const here = range(PLANTS.n).filter(i => codePart(PLANTS.cross_id(i)).toLowerCase() === code[2]);
    if (here.length) {
      const each = Object.keys(DATA.piles).map(p => [DATA.piles[p][0].toLowerCase(), here.filter(i => PLANTS.pile(i) === p).length]);
      return {word: 'Tag', says: 'Tag ' + PLANTS.cross_id(here[0]) + ': ' + each.filter(e => e[1]).map(e => e[1] + ' ' + e[0]).join(', ') + '. Scan a plant for its own decision.'};
    }
  }
  if (code) return {word: 'Not found', says: text + ' is no plant of this report. Leave it standing, and look at its label.'};
  return range(PLANTS.n).some(i => matcher(text)(haystack(i))) ? null
    : {word: 'Not found', says: text + ' is no plant of this report. Scan again, or look at its label.'};
}
/* The place where a decision is shown; `take` reads the field and makes it ready for the next scan. */
function scanPlace(input) {
  const place = node('div', {class: 'scan', role: 'status', 'aria-live': 'assertive'});
  const seen = new Set();
  place.hidden = true;
  function show(key, word, name, lines) {
    place.hidden = false;
    place.dataset.decision = key;
    place.replaceChildren(node('p', {class: 'scan-word'}, word), name ? node('p', {class: 'scan-plant'}, name) : null,
      ...lines.filter(Boolean).map(t => node('p', {}, t)));
    place.scrollIntoView({block: 'nearest'});
  }
  function take() {
    const text = input.value.trim();
    if (!text) return null;
    const hit = scanned(text);
    if (!hit) { input.select(); return null; }
    input.value = '';
    input.focus();
    if (hit.word) { show('none', hit.word, '', [hit.says]); return hit; }
    const i = hit.plant, pile = PLANTS.pile(i), words = DATA.piles[pile];
    show(pile, words ? words[0] : PLANTS.decision(i) || 'Undecided', PLANTS.plant(i), [
      (PLANTS.mother(i) || 'unknown') + ' × ' + (PLANTS.father(i) || 'unknown'),
      [PLANTS.place(i), markOf(PLANTS.verdict(i)).label + ' ' + probability(plantChance(i))].filter(Boolean).join(' · '),
      PLANTS.reason(i), seen.has(i) ? 'Scanned before.' : '']);
    seen.add(i);
    return hit;
  }
  return {place, take};
}
