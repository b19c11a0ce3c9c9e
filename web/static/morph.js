// Brings an element to new HTML by changing only what differs, so that a button keeps its
// focus and a tap that has begun still lands.
const shown = new WeakMap();

export function morph(place, html) {
  if (shown.get(place) === html) return;
  shown.set(place, html);
  const wanted = document.createElement("template");
  wanted.innerHTML = html;
  children(place, wanted.content);
}

function children(old, wanted) {
  const next = [...wanted.childNodes];
  const now = [...old.childNodes];
  next.forEach((node, index) => {
    const have = now[index];
    if (!have) old.append(node);
    else if (alike(have, node)) bring(have, node);
    else have.replaceWith(node);
  });
  now.slice(next.length).forEach((node) => node.remove());
}

function alike(have, node) {
  return (
    have.nodeType === node.nodeType &&
    have.nodeName === node.nodeName &&
    have.dataset?.act === node.dataset?.act &&
    have.dataset?.args === node.dataset?.args
  );
}

function bring(have, node) {
  if (have.nodeType !== Node.ELEMENT_NODE) {
    if (have.nodeValue !== node.nodeValue) have.nodeValue = node.nodeValue;
    return;
  }
  for (const { name, value } of node.attributes) {
    if (have.getAttribute(name) !== value) have.setAttribute(name, value);
  }
  for (const { name } of [...have.attributes]) {
    if (!node.hasAttribute(name)) have.removeAttribute(name);
  }
  children(have, node);
}
