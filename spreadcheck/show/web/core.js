"use strict";
// What every page of this package needs: its data, its elements, and numbers as people write them.

const DATA = JSON.parse(document.getElementById("data").textContent);
const at = (id) => document.getElementById(id);

function make(tag, text, attributes = {}) {
  const made = document.createElement(tag);
  if (text !== undefined) made.textContent = text;
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  return made;
}

function shape(tag, attributes, text) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

// A number as people write it: digits, a sign, one decimal mark (point or comma), an exponent; null where it is not one.
function numberOf(text) {
  const plain = text.trim().replace("\u2212", "-");
  if (!/^[+-]?(\d+([.,]\d*)?|[.,]\d+)(e[+-]?\d+)?$/i.test(plain)) return null;
  const number = Number(plain.replace(",", "."));
  return Number.isFinite(number) ? number : null;
}
