"use strict";
// The only thing a page cannot do by itself: show how far a run is while it goes.
const live = document.getElementById("live");
if (live && window.EventSource) {
  const bar = document.getElementById("bar");
  const stage = document.getElementById("stage");
  const source = new EventSource(live.dataset.events);
  source.onmessage = (event) => {
    const told = JSON.parse(event.data);
    if (!told.running) {
      source.close();
      location.replace(location.pathname);
      return;
    }
    if (told.total) {
      bar.max = told.total;
      bar.value = told.done;
    }
    const words = told.stopping ? "stopping" : told.stage;
    const text = words.charAt(0).toUpperCase() + words.slice(1) + (told.total ? ` (${told.done} of ${told.total})` : "");
    if (stage.textContent !== text) stage.textContent = text;
  };
}
