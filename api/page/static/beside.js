// What is told, what is decided and the pictures: beside each other where there is room, else the pictures before the
// form, so that nobody decides before looking. The order that is seen is the order that is read.

import { fill, h } from "./dom.js";

const narrow = matchMedia("(max-width: 52rem)");

// row: the buttons that decide. They stay under the thumb for as long as what they decide is in view.
export function beside(told, deciding, row, pictures) {
  const pair = h("div", { class: "deciding" });
  const box = h("div");
  const lay = () => {
    if (narrow.matches) return void fill(box, told, pictures, deciding, row);
    fill(box, fill(pair, told, h("div", {}, deciding, row)), pictures);
  };
  narrow.onchange = lay; // one a page: the last one drawn
  lay();
  return box;
}
