// The three colour schemes, and who has to be told when another one is chosen.

const told = [];

export function whenChosen(action) { told.push(action); }

function choose(name) {
  document.documentElement.dataset.scheme = name;
  try { localStorage.setItem("drawtube-scheme", name); } catch (error) { /* a private window */ }
  // A scheme asked for in the address has had its say.
  if (location.hash) { history.replaceState(null, "", location.pathname); }
  show();
  for (const action of told) { action(); }
}

function show() {
  for (const button of document.querySelectorAll("[data-choose]")) {
    button.setAttribute("aria-pressed", String(button.dataset.choose === document.documentElement.dataset.scheme));
  }
}

export function begin() {
  for (const button of document.querySelectorAll("[data-choose]")) {
    button.addEventListener("click", () => choose(button.dataset.choose));
  }
  show();
}
