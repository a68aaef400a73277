// Small helpers to build and update the page. Nothing here sets a style
// attribute: the page's security policy forbids it.

const SVG = 'http://www.w3.org/2000/svg';

function build(el, attrs, kids) {
  for (const k in attrs || {}) {
    const v = attrs[k];
    if (v === null || v === undefined || v === false) continue;
    if (k.startsWith('on')) el.addEventListener(k.slice(2), v);
    else if (k === 'value' && 'value' in el) { el.value = v; el.setAttribute('value', v); }
    else el.setAttribute(k, v === true ? '' : v);
  }
  add(el, kids);
  return el;
}

export function add(el, kids) {
  for (const k of kids) {
    if (Array.isArray(k)) add(el, k);
    else if (k !== null && k !== undefined && k !== false && k !== '') el.append(k.nodeType ? k : String(k));
  }
}

// h makes an HTML element.
export const h = (tag, attrs, ...kids) => build(document.createElement(tag), attrs, kids);
// s makes an SVG element.
export const s = (tag, attrs, ...kids) => build(document.createElementNS(SVG, tag), attrs, kids);

const keyOf = (n) => (n.nodeType === 1 ? n.getAttribute('data-key') : null);

// morph changes a into b's likeness while keeping a's elements, so that the
// focus, a pressed finger and the reader's place survive an update.
export function morph(a, b) {
  if (a.nodeType !== b.nodeType || a.nodeName !== b.nodeName || keyOf(a) !== keyOf(b)) {
    a.replaceWith(b);
    return b;
  }
  if (a.nodeType !== 1) {
    if (a.data !== b.data) a.data = b.data;
    return a;
  }
  if (a.isEqualNode(b)) return a;
  for (const { name, value } of [...b.attributes]) {
    if (a.getAttribute(name) !== value) a.setAttribute(name, value);
  }
  for (const { name } of [...a.attributes]) {
    if (!b.hasAttribute(name)) a.removeAttribute(name);
  }
  morphKids(a, [...b.childNodes]);
  return a;
}

// morphKids gives a the wanted children, as add takes them.
export function morphKids(a, kids) {
  const frag = document.createDocumentFragment();
  add(frag, kids);
  const want = [...frag.childNodes];
  const keyed = new Map();
  for (const n of a.childNodes) {
    const k = keyOf(n);
    if (k) keyed.set(k, n);
  }
  let at = a.firstChild;
  for (const w of want) {
    const k = keyOf(w);
    let have = k ? keyed.get(k) : at;
    if (!k) while (have && keyOf(have)) have = have.nextSibling;
    if (!have) {
      a.insertBefore(w, at);
      continue;
    }
    if (have !== at) a.insertBefore(have, at);
    const now = morph(have, w);
    at = now.nextSibling;
  }
  while (at) {
    const next = at.nextSibling;
    at.remove();
    at = next;
  }
}

// fill puts new children in place of the old.
export function fill(el, ...kids) {
  el.replaceChildren();
  add(el, kids);
}

export const $ = (sel, root = document) => root.querySelector(sel);
export const $$ = (sel, root = document) => [...root.querySelectorAll(sel)];
