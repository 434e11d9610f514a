const VIEWS = {plants: plantsView, crosses: crossesView, plates: platesView, plant: plantView};
/* What is on the first screen is drawn at once; the rest when the browser has a moment, in the order of the page. */
const waiting = [...document.querySelectorAll('[data-live]')];
function fillNext() {
  const host = waiting.shift();
  if (!host) { openFromAddress(); document.documentElement.dataset.ready = 'yes'; return; }
  VIEWS[host.dataset.live](host);
  setTimeout(fillNext, 0);
}
fillNext();
addEventListener('hashchange', openFromAddress);

const links = new Map([...document.querySelectorAll('.contents a')].map(a => [a.getAttribute('href').slice(1), a]));
const reader = new IntersectionObserver(entries => {
  for (const e of entries) {
    if (!e.isIntersecting) continue;
    links.forEach(a => a.removeAttribute('aria-current'));
    links.get(e.target.id)?.setAttribute('aria-current', 'true');
  }
}, {rootMargin: '-10% 0px -80% 0px'});
document.querySelectorAll('main > section').forEach(s => reader.observe(s));
