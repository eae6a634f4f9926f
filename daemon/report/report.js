/* Draws the figures in the colours of the chosen scheme; a colour in a figure's data is a name like var(--c1). */
(function () {
  "use strict";
  var figures = JSON.parse(document.getElementById("figures").textContent);
  var root = document.documentElement;
  var settings = { responsive: true, displaylogo: false, displayModeBar: false };

  function inked(value, styles) {
    if (typeof value === "string") {
      return value.replace(/var\((--[a-z0-9]+)\)/g, function (_, name) { return styles.getPropertyValue(name).trim(); });
    }
    if (Array.isArray(value)) { return value.map(function (item) { return inked(item, styles); }); }
    if (value && typeof value === "object") {
      var copy = {};
      Object.keys(value).forEach(function (key) { copy[key] = inked(value[key], styles); });
      return copy;
    }
    return value;
  }

  // A sheet of A4 or letter paper within its margins; a figure does not follow the paper's width by itself.
  var PAPER_PX = 680;
  var printing = false;

  function draw() {
    var styles = getComputedStyle(root);
    figures.forEach(function (figure) {
      var place = document.getElementById(figure.id);
      var layout = inked(figure.layout, styles);
      if (printing) { layout.width = PAPER_PX; }
      Plotly.react(place, inked(figure.data, styles), layout, settings);
    });
  }

  function choose(scheme, keep) {
    root.dataset.scheme = scheme;
    document.querySelectorAll("[data-choose]").forEach(function (button) {
      button.setAttribute("aria-pressed", String(button.dataset.choose === scheme));
    });
    if (keep) { try { localStorage.setItem("drawtube-scheme", scheme); } catch (error) { /* private window */ } }
    draw();
  }

  function remembered() {
    try { return localStorage.getItem("drawtube-scheme"); } catch (error) { return null; }
  }

  document.querySelectorAll("[data-choose]").forEach(function (button) {
    button.addEventListener("click", function () { choose(button.dataset.choose, true); });
  });
  window.addEventListener("beforeprint", function () { root.dataset.before = root.dataset.scheme; printing = true; choose("paper", false); });
  window.addEventListener("afterprint", function () { printing = false; choose(root.dataset.before || "paper", false); });
  // report.html#red opens in that scheme, so that a bookmark spares the eyes from the first moment.
  var asked = [location.hash.slice(1), remembered(), "paper"].filter(function (name) {
    return ["paper", "night", "red"].indexOf(name) >= 0;
  });
  choose(asked[0], false);
})();
