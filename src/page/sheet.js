// What little runs on the phone. Without it every form works as a plain form; with it a
// tick that finds no network is kept and sent again, under the same key, until the watch
// has it, and the sheet is kept fresh.
'use strict';
(() => {
  const KEPT = 'traywarden-ticks';
  const told = document.getElementById('reported');
  const sheet = () => document.getElementById('sheet');
  const kept = () => { try { return JSON.parse(localStorage.getItem(KEPT)) || []; } catch { return []; } };
  const keep = (ticks) => { try { localStorage.setItem(KEPT, JSON.stringify(ticks)); } catch { /* none to keep */ } };
  let ticks = kept();
  let sending = false;
  let again = 1000;
  let timer = 0;

  const say = (words, ill) => {
    const strip = document.createElement('div');
    strip.className = 'reported ' + (ill ? 'reported-ill' : 'reported-well');
    strip.append(Object.assign(document.createElement('p'), { textContent: words }));
    told.replaceChildren(strip);
  };

  // Lays a fresh sheet in place of the old one; what was opened stays open.
  const lay = (html, withTold) => {
    const fresh = new DOMParser().parseFromString(html, 'text/html');
    const main = fresh.getElementById('sheet');
    if (!main) return;
    const open = new Set([...document.querySelectorAll('details[id]')].filter((d) => d.open).map((d) => d.id));
    const shut = new Set([...document.querySelectorAll('details[id]')].filter((d) => !d.open).map((d) => d.id));
    for (const d of main.querySelectorAll('details[id]')) {
      if (open.has(d.id)) d.open = true;
      if (shut.has(d.id)) d.open = false;
    }
    const focus = document.activeElement && document.activeElement.getAttribute('aria-label');
    sheet().replaceWith(main);
    const asOf = fresh.querySelector('.as-of');
    if (asOf && document.querySelector('.as-of')) document.querySelector('.as-of').replaceWith(asOf);
    const strip = fresh.getElementById('reported');
    if (withTold) told.replaceChildren(...(strip ? strip.childNodes : []));
    if (focus) for (const e of main.querySelectorAll('[aria-label]')) if (e.getAttribute('aria-label') === focus) e.focus({ preventScroll: true });
    mark();
  };

  // Ticks that are on their way are drawn in a broken line.
  const mark = () => {
    for (const form of document.querySelectorAll('form[data-tap]')) {
      const key = form.elements.key && form.elements.key.value;
      if (ticks.some((tick) => tick.key === key)) form.dataset.going = ''; else delete form.dataset.going;
    }
  };

  const send = async () => {
    if (sending || !ticks.length) return;
    sending = true;
    clearTimeout(timer);
    while (ticks.length) {
      const tick = ticks[0];
      let reply;
      try {
        reply = await fetch(tick.action, {
          method: 'POST', credentials: 'same-origin', signal: AbortSignal.timeout(12000),
          headers: { 'Content-Type': 'application/x-www-form-urlencoded' }, body: tick.body,
        });
        if (reply.status >= 500) throw new Error('later');
        const html = await reply.text();
        ticks.shift(); keep(ticks); again = 1000;
        if (reply.ok) lay(html, true); else refused(html);
      } catch {
        say(ticks.length === 1 ? 'No answer from the watch. Your tick is kept on this phone and sent again.'
          : 'No answer from the watch. Your ' + ticks.length + ' ticks are kept on this phone and sent again.', true);
        timer = setTimeout(send, again);
        again = Math.min(again * 2, 30000);
        break;
      }
    }
    sending = false;
  };

  const refused = (html) => {
    const bare = new DOMParser().parseFromString(html, 'text/html').querySelector('main p');
    say('Not written down. ' + (bare ? bare.textContent : ''), true);
    refresh();
  };

  const refresh = async () => {
    if (busy()) { stale = true; return; }
    stale = false;
    try {
      const reply = await fetch(location.pathname + location.search.replace(/[?&]told=[^&]*/, ''), { credentials: 'same-origin' });
      if (reply.ok && !busy()) lay(await reply.text(), false);
    } catch { /* the live connection says when it is back */ }
  };

  // Nobody's writing is taken from under their thumb.
  let stale = false;
  const busy = () => ticks.length > 0 || sending || (document.activeElement && /^(INPUT|SELECT|TEXTAREA)$/.test(document.activeElement.tagName));

  // What only asks is not kept: it is asked again by hand.
  const reckon = async (form, button) => {
    try {
      const reply = await fetch(button.getAttribute('formaction'), {
        method: 'POST', credentials: 'same-origin', body: new URLSearchParams(new FormData(form, button)),
      });
      lay(await reply.text(), true);
    } catch { say('No answer from the watch. Try again when this phone has a network.', true); }
  };

  document.addEventListener('submit', (event) => {
    const form = event.target;
    if (!form.matches('form[data-tap]')) return;
    event.preventDefault();
    if (event.submitter && event.submitter.hasAttribute('formaction')) { reckon(form, event.submitter); return; }
    const body = new URLSearchParams(new FormData(form, event.submitter)).toString();
    const key = form.elements.key.value;
    if (!ticks.some((tick) => tick.key === key)) {
      ticks.push({ action: form.getAttribute('action'), body, key });
      keep(ticks);
    }
    mark();
    if (document.activeElement && document.activeElement.blur && /^(INPUT|SELECT)$/.test(document.activeElement.tagName)) document.activeElement.blur();
    again = 1000;
    send();
  });
  document.addEventListener('focusout', () => setTimeout(() => { if (stale) refresh(); }, 300));
  window.addEventListener('online', () => { again = 1000; send(); });

  const live = () => {
    if (!sheet() || !sheet().dataset.nth) return;
    const events = new EventSource('/live');
    events.onmessage = (event) => {
      if (sheet().dataset.nth !== event.data && !document.hidden) refresh();
      send();
    };
    document.addEventListener('visibilitychange', () => { if (!document.hidden) { refresh(); send(); } });
    window.addEventListener('pagehide', () => events.close());
    window.addEventListener('pageshow', (event) => { if (event.persisted) location.reload(); });
  };
  live();
  mark();
  send();
})();
