(function () {
  // Links each ride's strip and map: point at one, see the place on the other.
  var links = JSON.parse(document.getElementById('links').textContent);
  var NS = 'http://www.w3.org/2000/svg';

  function add(svg, kind, cls) {
    var mark = document.createElementNS(NS, kind);
    mark.setAttribute('class', cls);
    mark.style.display = 'none';
    svg.appendChild(mark);
    return mark;
  }

  function place(svg, event) {
    var point = svg.createSVGPoint();
    point.x = event.clientX;
    point.y = event.clientY;
    return point.matrixTransform(svg.getScreenCTM().inverse());
  }

  document.querySelectorAll('article').forEach(function (article) {
    var ride = links[article.dataset.ride];
    if (!ride) return;
    var out = article.querySelector('.readout'), last = ride.t.length - 1, marks = [];
    var strips = [].slice.call(article.querySelectorAll('.strip svg'));
    var maps = [].slice.call(article.querySelectorAll('.map svg'));
    strips.forEach(function (svg) { marks.push({svg: svg, strip: true, parts: [add(svg, 'line', 'cursor')]}); });
    maps.forEach(function (svg) {
      marks.push({svg: svg, strip: false, parts: [add(svg, 'circle', 'spot under'), add(svg, 'circle', 'spot')]});
    });

    function frame(svg) {
      var wide = svg.viewBox.baseVal.width, left = wide > 640 ? 14 : 0;
      return {left: left, width: wide - 2 * left, height: (wide - 2 * left) * ride.shape};
    }

    function show(k) {
      marks.forEach(function (mark) {
        mark.parts.forEach(function (part) {
          part.style.display = '';
          if (mark.strip) {
            var data = mark.svg.dataset, x = +data.left + (data.right - data.left) * k / last;
            part.setAttribute('x1', x);
            part.setAttribute('x2', x);
            part.setAttribute('y1', data.top);
            part.setAttribute('y2', data.bottom);
          } else {
            var f = frame(mark.svg);
            part.setAttribute('cx', f.left + ride.x[k] * f.width);
            part.setAttribute('cy', ride.y[k] * f.height);
            part.setAttribute('r', 9);
          }
        });
      });
      var words = [ride.t[k], ride.km[k].toFixed(1) + ' km'], road = '';
      ride.road.forEach(function (run) { if (run[0] <= k) road = run[1]; });
      if (road) words.push(road);
      Object.keys(ride.c).forEach(function (name) {
        var chance = ride.c[name][k];
        words.push(name + ': ' + (chance === null ? 'no data' : chance + ' in 10'));
      });
      out.textContent = words.join(' \u00b7 ');
    }

    strips.forEach(function (svg) {
      svg.addEventListener('pointermove', function (event) {
        var data = svg.dataset, x = place(svg, event).x;
        var k = Math.round((x - data.left) / (data.right - data.left) * last);
        show(Math.max(0, Math.min(last, k)));
      });
    });
    maps.forEach(function (svg) {
      svg.addEventListener('pointermove', function (event) {
        var p = place(svg, event), f = frame(svg), best = 0, least = Infinity;
        for (var k = 0; k <= last; k++) {
          var a = f.left + ride.x[k] * f.width - p.x, b = ride.y[k] * f.height - p.y;
          if (a * a + b * b < least) { least = a * a + b * b; best = k; }
        }
        show(best);
      });
    });
  });
})();
