// Puts on the remembered colours before anything is drawn: a white flash costs half an hour of night vision.
(function () {
  "use strict";
  var asked = location.hash.slice(1);
  var kept = null;
  try { kept = localStorage.getItem("drawtube-scheme"); } catch (error) { /* a private window */ }
  var known = [asked, kept].filter(function (name) { return ["paper", "night", "red"].indexOf(name) >= 0; });
  if (known.length) { document.documentElement.dataset.scheme = known[0]; }
})();
