// Draws the page's figures, and redraws them to the width of the paper when it is printed.
(function () {
  "use strict";
  var coarse = window.matchMedia("(pointer: coarse)").matches;
  var config = { responsive: true, displayModeBar: false, displaylogo: false, doubleClick: "reset", showTips: false };
  var drawn = [];
  if (window.matchMedia("(max-width: 46rem)").matches) {
    document.querySelectorAll("details.fold").forEach(function (more) { more.open = false; });
  }
  document.querySelectorAll("figure.plot").forEach(function (place) {
    var content = JSON.parse(place.querySelector("script").textContent);
    if (place.clientWidth < 500 && content.layout.xaxis.type === "date") content.layout.xaxis.nticks = 5;
    if (coarse) content.layout.dragmode = false; // a finger scrolls the page
    var canvas = place.querySelector(".canvas");
    canvas.dataset.height = content.layout.height;
    canvas.style.height = content.layout.height + "px";
    drawn.push(canvas);
    window.Plotly.newPlot(canvas, content.data, content.layout, config);
  });
  function resize(canvas, share, layout, letters) {
    if (letters && canvas.closest(".pair")) {
      canvas.layout.annotations.forEach(function (_, i) { layout["annotations[" + i + "].font.size"] = letters; });
    }
    layout.height = share * canvas.dataset.height;
    canvas.style.height = layout.height + "px";
    window.Plotly.relayout(canvas, layout);
  }
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details").forEach(function (more) { more.open = true; });
    drawn.forEach(function (canvas) { // A4 and Letter leave 180 mm, and two figures shall fit a page
      var paired = canvas.closest(".pair");
      resize(canvas, paired ? 0.8 : 0.76, { autosize: false, width: paired ? 325 : 680 }, paired ? 10 : null);
    });
  });
  window.addEventListener("afterprint", function () {
    drawn.forEach(function (canvas) { resize(canvas, 1, { autosize: true, width: null }, 11.5); });
  });
})();
