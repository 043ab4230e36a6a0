// Draws the page's figures over time when they come near the view, and all of them to the width of the paper when it
// is printed. Effects in lanes are drawn already.
(function () {
  "use strict";
  var coarse = window.matchMedia("(pointer: coarse)").matches;
  var config = { responsive: true, displayModeBar: false, displaylogo: false, doubleClick: "reset", showTips: false };
  var places = Array.from(document.querySelectorAll("figure.plot"));
  var A4_PX = 680; // A4 and Letter leave 180 mm
  if (window.matchMedia("(max-width: 46rem)").matches) {
    document.querySelectorAll("details.fold").forEach(function (more) { more.open = false; });
  }
  places.forEach(function (place) { // nothing jumps when it is drawn
    place.querySelector(".canvas").style.height = place.dataset.height + "px";
  });
  function draw(place) {
    var canvas = place.querySelector(".canvas");
    if (canvas.dataset.drawn) return;
    canvas.dataset.drawn = "yes";
    var content = JSON.parse(place.querySelector("script").textContent);
    if (place.clientWidth < 500 && content.layout.xaxis.type === "date") content.layout.xaxis.nticks = 5;
    if (coarse) content.layout.dragmode = false; // a finger scrolls the page
    window.Plotly.newPlot(canvas, content.data, content.layout, config);
  }
  if ("IntersectionObserver" in window) {
    var near = new IntersectionObserver(function (entries) {
      entries.forEach(function (entry) {
        if (!entry.isIntersecting) return;
        near.unobserve(entry.target);
        draw(entry.target);
      });
    }, { rootMargin: "600px 0px" });
    places.forEach(function (place) { near.observe(place); });
  } else {
    places.forEach(draw);
  }
  function resize(shape) { // shape: (paired or not) -> width, or null for that of the page, and share of the height
    places.forEach(function (place) {
      var canvas = place.querySelector(".canvas"), to = shape(place.closest(".pair"));
      canvas.style.height = to.share * place.dataset.height + "px";
      window.Plotly.relayout(canvas, { autosize: !to.width, width: to.width, height: to.share * place.dataset.height });
    });
  }
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details").forEach(function (more) { more.open = true; });
    places.forEach(draw);
    resize(function (paired) { // so that two figures fit a page
      return paired ? { width: 325, share: 0.85 } : { width: A4_PX, share: 0.76 };
    });
  });
  window.addEventListener("afterprint", function () {
    resize(function () { return { width: null, share: 1 }; });
  });
})();
