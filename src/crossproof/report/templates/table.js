const PRINTED_ROWS = 2000;

/* A table that holds any number of rows and shows a page of them.
   spec: id, caption, columns [{label, kind, order(i), cell(i)}], rows (array of places), size, sort [column, up],
   details(i) optional: the content of a row that opens. */
function pagedTable(host, spec) {
  const state = {rows: spec.rows, sorted: null, page: 0, size: spec.size || 50, by: spec.sort[0], up: spec.sort[1], open: new Set()};
  const heads = spec.columns.map((c, k) => node('th', {scope: 'col', class: c.kind === 'number' ? 'k-number' : null},
    c.order ? node('button', {type: 'button', onclick: () => sortBy(k)}, c.label) : c.label));
  const body = node('tbody');
  const status = node('p', {role: 'status'});
  const back = node('button', {type: 'button', onclick: () => turn(-1)}, 'Back');
  const next = node('button', {type: 'button', onclick: () => turn(1)}, 'Next');
  const sizes = node('select', {onchange: e => { state.size = Number(e.target.value); state.page = 0; draw(); }},
    [25, 50, 100, 250].map(n => node('option', {value: n, selected: n === state.size ? '' : null}, String(n))));
  const cut = node('p', {class: 'more print-only'});
  const table = node('table', {class: 'paged', id: spec.id},
    node('caption', {class: 'unseen'}, spec.caption), node('thead', {}, node('tr', {}, heads)), body);
  host.append(
    node('div', {class: 'scroll', role: 'region', 'aria-label': spec.caption, tabindex: '0'}, table), cut,
    node('div', {class: 'pager'}, back, next, status, node('label', {}, 'Rows a page ', sizes)));

  function sortBy(k) {
    state.up = state.by === k ? !state.up : true;
    state.by = k;
    state.page = 0;
    state.sorted = null;
    draw();
    announce('Sorted by ' + spec.columns[k].label + (state.up ? ', ascending' : ', descending'));
  }
  function turn(step) { state.page += step; draw(); }
  function sorted() {
    if (state.sorted) return state.sorted;
    const order = spec.columns[state.by].order, sign = state.up ? 1 : -1;
    const keys = new Float64Array(state.rows.length);
    state.rows.forEach((row, k) => { keys[k] = order(row); });
    const places = range(state.rows.length);
    /* Unknown values come last in either direction. */
    places.sort((a, b) => {
      const x = keys[a], y = keys[b];
      if (x === y || (x !== x && y !== y)) return a - b;
      return x !== x ? 1 : y !== y ? -1 : sign * (x - y);
    });
    state.sorted = places.map(k => state.rows[k]);
    return state.sorted;
  }
  function rowOf(i) {
    const cells = spec.columns.map((c, k) => {
      const content = c.cell(i);
      const text = typeof content === 'string' ? content : '';
      const kind = c.kind === 'number' ? 'k-number' : c.kind === 'text' ? 'k-text' : c.kind === 'name' ? nameClass(text) : text.length > 24 ? 'long' : 'k-name';
      const given = {class: kind + (c.first ? ' first' : ''), 'data-label': content === '' ? null : c.label};
      return k === 0 ? node('th', {scope: 'row', ...given}, content) : node('td', given, content);
    });
    const row = node('tr', {}, cells);
    if (!spec.details) return [row];
    const button = row.querySelector('.open-row');
    button.setAttribute('aria-expanded', String(state.open.has(i)));
    button.addEventListener('click', () => {
      if (state.open.has(i)) state.open.delete(i); else state.open.add(i);
      draw();
      body.querySelector('[data-row="' + i + '"] .open-row').focus();
    });
    row.dataset.row = i;
    if (!state.open.has(i)) return [row];
    return [row, node('tr', {class: 'inner'}, node('td', {colspan: spec.columns.length}, spec.details(i)))];
  }
  function draw(everything) {
    const rows = sorted(), n = rows.length;
    const last = Math.max(0, Math.ceil(n / state.size) - 1);
    state.page = Math.min(Math.max(state.page, 0), last);
    const from = everything ? 0 : state.page * state.size;
    const to = everything ? Math.min(n, PRINTED_ROWS) : Math.min(n, from + state.size);
    const part = document.createDocumentFragment();
    for (const i of rows.slice(from, to)) part.append(...rowOf(i));
    if (!n) part.append(node('tr', {}, node('td', {colspan: spec.columns.length, class: 'none'}, spec.none || 'Nothing matches.')));
    body.replaceChildren(part);
    heads.forEach((head, k) => {
      if (k === state.by) head.setAttribute('aria-sort', state.up ? 'ascending' : 'descending');
      else head.removeAttribute('aria-sort');
    });
    status.textContent = n ? count(from + 1) + ' to ' + count(to) + ' of ' + count(n) : 'none';
    cut.textContent = everything && n > PRINTED_ROWS
      ? 'Printed here: the first ' + count(PRINTED_ROWS) + ' of ' + count(n) + ' rows. worklist.xlsx has them all.' : '';
    back.disabled = state.page === 0;
    next.disabled = state.page === last;
  }
  addEventListener('beforeprint', () => draw(true));
  addEventListener('afterprint', () => draw());
  draw();
  return {
    show(rows) { state.rows = rows; state.sorted = null; state.page = 0; draw(); },
    order(k, up) { state.by = k; state.up = up; state.sorted = null; state.page = 0; draw(); },
  };
}

/* Print one part of the page alone. */
function printOnly(part) {
  document.documentElement.dataset.only = part;
  addEventListener('afterprint', () => delete document.documentElement.dataset.only, {once: true});
  window.print();
}

function searchBox(label, oninput, id) {
  let timer;
  const input = node('input', {type: 'search', id, autocomplete: 'off', spellcheck: 'false',
    oninput: () => { clearTimeout(timer); timer = setTimeout(() => oninput(input.value), 60); }});
  return {label: node('label', {}, label, input), input};
}
/* Every word must occur; case does not matter. */
function matcher(text) {
  const words = text.toLowerCase().split(/\s+/).filter(Boolean);
  return line => words.every(word => line.includes(word));
}
const haystack = lazily(() => {
  const lines = range(PLANTS.n).map(i => [PLANTS.plant, PLANTS.sample_id, PLANTS.cross_id, PLANTS.mother, PLANTS.father,
    PLANTS.plate, PLANTS.place, PLANTS.operator].map(c => c(i)).join('\n').toLowerCase());
  return i => lines[i];
});
