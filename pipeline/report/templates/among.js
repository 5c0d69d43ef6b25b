// The batch page tells in the address which sessions are doubtful; from each one leads on to its neighbours.
(() => {
const place = document.querySelector("nav.among");
const asked = location.hash.match(/^#doubtful=(.+)$/);
if (!place || !asked) return;
let names;
try { names = asked[1].split(",").map(decodeURIComponent); } catch { return; }  // an address that was torn
const at = names.indexOf(place.dataset.session);
if (at < 0) return;
const list = document.createElement("ul");
function add(...inside) {
  const item = document.createElement("li");
  item.append(...inside);
  list.append(item);
}
function link(name, text) {
  if (name === undefined) return;
  const made = document.createElement("a");
  made.href = place.dataset.page.replace("*", encodeURIComponent(name)) + location.hash;
  made.textContent = `${text}: ${name}`;
  add(made);
}
link(names[at - 1], "Previous doubtful");
add(`Doubtful ${at + 1} of ${names.length}`);
link(names[at + 1], "Next doubtful");
place.append(list);
place.hidden = false;
})();
