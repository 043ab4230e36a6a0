// Draws the page's figures, and redraws them to the width of the paper when it is printed.
(function () {
  "use strict";
  var coarse = window.matchMedia("(pointer: coarse)").matches;
  var config = { responsive: true, displayModeBar: false, displaylogo: false, doubleClick: "reset", showTips: false };
  var drawn = [];
  document.querySelectorAll("figure.plot").forEach(function (place) {
    var content = JSON.parse(place.querySelector("script").textContent);
    if (place.clientWidth < 500 && content.layout.xaxis.type === "date") content.layout.xaxis.nticks = 5;
    if (coarse) content.layout.dragmode = false; // a finger scrolls the page
    var canvas = place.querySelector(".canvas");
    canvas.style.height = content.layout.height + "px";
    drawn.push(canvas);
    window.Plotly.newPlot(canvas, content.data, content.layout, config);
  });
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details").forEach(function (more) { more.open = true; });
    drawn.forEach(function (canvas) { // A4 and Letter leave 180 mm
      window.Plotly.relayout(canvas, { autosize: false, width: canvas.closest(".pair") ? 325 : 680 });
    });
  });
  window.addEventListener("afterprint", function () {
    drawn.forEach(function (canvas) { window.Plotly.relayout(canvas, { autosize: true, width: null }); });
  });
})();
