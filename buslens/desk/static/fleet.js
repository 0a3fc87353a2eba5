'use strict';
/* How far the judging of a fleet is. */

const fleet = document.getElementById('fleet');
if (fleet.dataset.events !== undefined) {
  const source = new EventSource(fleet.dataset.events);
  const bar = document.getElementById('bar');
  source.addEventListener('message', (event) => {
    const state = JSON.parse(event.data);
    document.getElementById('line').textContent = state.line;
    if (state.total !== null) {
      bar.max = Math.max(state.total, 1);
      bar.value = state.done;
    }
    if (state.has_ended) {
      source.close();
      location.reload();
    }
  });
  source.addEventListener('end', () => {
    source.close();
    document.getElementById('gone').hidden = false;
  });
}
document.documentElement.dataset.ready = 'yes';
