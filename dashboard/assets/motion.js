// Moving the base along its path: all in the browser, no request.
(function () {
  const plot = (id) => document.querySelector("#" + id + " .js-plotly-plot");
  const at = (poses, rows, moment) => {
    const t = poses.t;
    let low = 0, high = t.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (t[middle] <= moment) low = middle; else high = middle;
    }
    const a = rows[low], b = rows[high];
    if (!a || a.includes(null)) return null;
    if (!b || b.includes(null) || t[high] === t[low]) return a;
    const share = Math.min(1, Math.max(0, (moment - t[low]) / (t[high] - t[low])));
    return a.map((v, k) => v + share * (b[k] - v));
  };
  const outline = (shape, pose) => {
    if (!pose) return [[], []];
    const [x, y, yaw] = pose, c = Math.cos(yaw), s = Math.sin(yaw);
    // The shape comes as plan view: to the right is minus left.
    const xs = [], ys = [];
    shape[0].forEach((right, k) => {
      const u = shape[1][k], v = -right;
      xs.push(-(y + s * u + c * v));
      ys.push(x + c * u - s * v);
    });
    return [xs, ys];
  };
  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    crabwise: {
      place: function (value, poses) {
        const moment = Number(value) || 0;
        const way = plot("motion-path");
        if (poses && way && way.data && window.Plotly) {
          const rolled = outline(poses.shape, at(poses, poses.rolled, moment));
          const driven = poses.driven ? outline(poses.shape, at(poses, poses.driven, moment)) : [[], []];
          window.Plotly.restyle(way, { x: [rolled[0], driven[0]], y: [rolled[1], driven[1]] }, [2, 3]);
        }
        return moment.toFixed(1) + " s";
      },
      play: function (clicks, disabled) {
        return disabled ? [false, "Stop"] : [true, "Drive"];
      },
      advance: function (count, value, end) {
        const next = (Number(value) || 0) + Math.max(0.1, end / 400);
        return next > end ? 0 : Math.round(next * 10) / 10;
      },
    },
  });
})();
