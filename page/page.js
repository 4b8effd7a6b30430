'use strict';
(() => {
const $ = id => document.getElementById(id), root = document.documentElement;
const silence = 150e3; // ms; the agent says something every minute
let stream, again, fade, ahead = 0, heard = new Date(), audio;
const clock = t => String(t.getHours()).padStart(2, '0') + ':' + String(t.getMinutes()).padStart(2, '0');
const loud = () => $('sound').checked;

// How long the pass has been running, by the clock of the bench.
function count() {
  const e = $('elapsed');
  if (!e) return;
  const s = Math.max(0, Math.floor((Date.now() + ahead - e.dataset.since) / 1000));
  e.textContent = Math.floor(s / 60) + ':' + String(s % 60).padStart(2, '0');
}

// Puts a section in the place of another, and the focus where it was.
function swap(old, n) {
  const all = e => [...e.querySelectorAll('a, button, [tabindex]')], at = all(old).indexOf(document.activeElement);
  old.replaceWith(n);
  if (at >= 0) all(n)[at]?.focus({preventScroll: true});
}

// Takes over the sections that are not as they were.
function put(html) {
  const to = new DOMParser().parseFromString('<main>' + html + '</main>', 'text/html').querySelector('main');
  const main = $('main');
  let at = main.firstElementChild;
  for (const n of [...to.children]) {
    const old = [...main.children].find(x => x.id === n.id);
    if (!old) main.insertBefore(n, at);
    else {
      if (old !== at) main.insertBefore(old, at);
      else at = at.nextElementSibling;
      if (old.outerHTML !== n.outerHTML) swap(old, n);
    }
  }
  while (at) { const x = at; at = at.nextElementSibling; x.remove(); }
  const word = document.querySelector('#last .huge'), bench = document.title.split(' – ').pop();
  document.title = word ? word.textContent.trim() + ' – ' + bench : bench;
  count();
}

function tones(list) {
  if (!audio) return;
  list.forEach((f, i) => {
    const o = audio.createOscillator(), g = audio.createGain(), t = audio.currentTime + i * 0.28;
    o.frequency.value = f; g.gain.value = 0.2;
    o.connect(g).connect(audio.destination); o.start(t); o.stop(t + 0.22);
  });
}

function say(s) {
  const to = $(s.bad ? 'cry' : 'say');
  to.textContent = '';
  requestAnimationFrame(() => { to.textContent = s.text; });
  if (!loud()) return;
  if (s.bad) { tones([330, 220]); navigator.vibrate?.([300, 150, 300]); }
  else if (s.go_on) { tones([880]); navigator.vibrate?.(80); }
}

function live(yes) {
  document.body.classList.toggle('lost', !yes);
  $('link').textContent = yes ? 'Kept up to date.' : 'No word from the agent since ' + clock(heard) + '.';
}

function open() {
  close();
  stream = new EventSource('/events');
  const on = (kind, fn) => stream.addEventListener(kind, e => { heard = new Date(); fn(e.data); });
  on('build', d => {
    const [build, now] = d.split(' ');
    if (build !== root.dataset.build) location.reload();
    ahead = now - Date.now();
    live(true);
  });
  on('here', () => {});
  on('page', put);
  on('readings', d => { if ($('readings')) $('readings').innerHTML = d; });
  on('say', d => say(JSON.parse(d)));
  stream.onerror = () => {
    if (!document.body.classList.contains('lost')) heard = new Date();
    live(false);
    if (stream.readyState === EventSource.CLOSED) {
      clearTimeout(again);
      again = setTimeout(open, 5000);
      // It is refused: if that is because this device is paired no longer, the page leads to where it can be.
      fetch('/', {method: 'HEAD', redirect: 'manual'}).then(r => { if (r.type === 'opaqueredirect') location.reload(); }, () => {});
    }
  };
}
function close() { clearTimeout(again); stream?.close(); stream = null; }

// A page that nobody sees needs no stream, unless it is to be heard.
function look() {
  if (document.hidden && !loud()) close();
  else if (!stream) open();
}

// A browser lets a page sound only after somebody touched it.
function wake() {
  if (loud()) { audio ||= new AudioContext(); audio.resume().then(hint); }
  hint();
}
function hint() { $('touch').hidden = !loud() || audio?.state === 'running'; }

// An order is given without leaving the page, and its answer said.
async function order(e) {
  e.preventDefault();
  const f = e.target, b = f.querySelector('button'), to = $('answer');
  b.disabled = true;
  try {
    const r = await fetch(f.action, {method: 'POST', headers: {Accept: 'text/plain'}, body: new URLSearchParams(new FormData(f))});
    to.textContent = await r.text();
  } catch { to.textContent = 'The agent was not reached: nothing is known of this order.'; }
  b.disabled = false;
  clearTimeout(fade);
  fade = setTimeout(() => { to.textContent = ''; }, 20e3);
}

$('sound').closest('p').hidden = false;
try { $('sound').checked = localStorage.getItem('sound') === 'on'; } catch {}
$('sound').addEventListener('change', () => {
  try { localStorage.setItem('sound', loud() ? 'on' : 'off'); } catch {}
  wake();
  if (loud()) tones([880]);
});
for (const e of ['pointerdown', 'keydown']) addEventListener(e, wake);
addEventListener('submit', order);
hint();
document.addEventListener('visibilitychange', look);
addEventListener('pagehide', close);
addEventListener('pageshow', look);
setInterval(() => {
  count();
  if (stream && Date.now() - heard > silence) { live(false); open(); heard = new Date(Date.now() - silence + 1e4); }
}, 1000);
count();
look();
})();
