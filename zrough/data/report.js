// Fills the page in: unpacks the drawing library and the numbers, draws, and follows the slider.
// Without WebGL, or without the means to unpack, the pictures that are already in the page stay.
(async function () {
  'use strict';
  const $ = (id) => document.getElementById(id);
  const status = (word) => { document.documentElement.dataset.report = word; };
  const css = getComputedStyle(document.documentElement);
  const colour = (name) => css.getPropertyValue('--' + name).trim();
  const rows = [...document.querySelectorAll('.levels tbody tr')];
  for (const [id, all] of [['print-sheet', false], ['print-all', true]]) {
    $(id).addEventListener('click', () => {
      document.body.classList.toggle('all', all);
      window.print();
    });
  }

  async function unpack(id) {
    const text = $(id).textContent.trim();
    const packed = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream('gzip'));
    return new Response(stream).arrayBuffer();
  }

  function hasWebGL() {
    try {
      const gl = document.createElement('canvas').getContext('webgl');
      return !!gl;
    } catch (e) {
      return false;
    }
  }

  // Numbers travel as one block: the length of a JSON header, the header, then 4-byte values.
  function open(block) {
    const size = new DataView(block).getUint32(0, true);
    const head = JSON.parse(new TextDecoder().decode(new Uint8Array(block, 4, size)));
    const start = 4 + size + ((4 - (size % 4)) % 4);
    const types = { f: Float32Array, i: Int32Array };
    const fill = (node) => {
      if (Array.isArray(node)) return node.map(fill);
      if (node === null || typeof node !== 'object') return node;
      if ('$at' in node) return new types[node.$as](block, start + 4 * node.$at, node.$n);
      return Object.fromEntries(Object.entries(node).map(([k, v]) => [k, fill(v)]));
    };
    return fill(head);
  }

  if (typeof DecompressionStream === 'undefined') {
    document.body.classList.add('no3d');
    status('pictures');
    return;
  }
  let data;
  try {
    data = open(await unpack('numbers'));
    const library = document.createElement('script');
    library.textContent = new TextDecoder().decode(await unpack('library'));
    document.head.appendChild(library);
  } catch (e) {
    document.body.classList.add('no3d');
    status('pictures');
    return;
  }

  const font = { family: getComputedStyle(document.body).fontFamily, size: 12.5, color: colour('ink') };
  const config = { responsive: true, displaylogo: false, displayModeBar: false };
  const axis = (title, more) => Object.assign({
    title: { text: title, font: { size: 12.5, color: colour('muted') } }, gridcolor: colour('rule'), zeroline: false,
    linecolor: colour('rule'), tickfont: { color: colour('muted'), size: 11.5 }, automargin: true,
  }, more || {});
  const sheet = (more) => Object.assign({
    font, paper_bgcolor: 'rgba(0,0,0,0)', plot_bgcolor: 'rgba(0,0,0,0)', margin: { l: 54, r: 14, t: 10, b: 44 },
    showlegend: false, hoverlabel: { bgcolor: colour('paper'), font },
  }, more || {});
  const place = (id) => { const box = $(id); box.replaceChildren(); return box; };
  const limit = (y, text) => ({
    shapes: [{ type: 'line', xref: 'paper', x0: 0, x1: 1, y0: y, y1: y, line: { color: colour('rust'), width: 1.5, dash: 'dash' } }],
    annotations: [{ xref: 'paper', x: 1, y, xanchor: 'right', yanchor: 'bottom', text, showarrow: false, font: { color: colour('rust'), size: 12 } }],
  });

  function curve(id, x, y, stroke, title, top, word) {
    const more = top !== null ? limit(top, word) : {};
    Plotly.newPlot(place(id), [{
      x, y, type: 'scatter', mode: 'lines', line: { color: stroke, width: 1, shape: 'hvh' }, fill: 'tozeroy',
      hovertemplate: '%{x:.2f} min: %{y:.2f}<extra></extra>',
    }], sheet(Object.assign({ height: 250, xaxis: axis('minutes'), yaxis: axis(title, { rangemode: 'tozero' }) }, more)), config);
  }

  const load = data.load;
  curve('engagement-plot', load.minutes, load.engagement, colour('sea'), 'engagement, degrees', load.cap, 'cap');
  if (load.power) curve('power-plot', load.minutes, load.power, colour('plum'), 'power, kW', load.power_limit, 'spindle');
  const hist = data.histogram;
  Plotly.newPlot(place('histogram-plot'), [{
    x: hist.middle, y: hist.long, type: 'bar', width: hist.width * 0.92, marker: { color: colour('sea') },
    hovertemplate: 'about %{x:.0f}°: %{y:.3f} ' + hist.unit + '<extra></extra>',
  }], sheet(Object.assign({ height: 250, xaxis: axis('engagement angle, degrees', { range: [0, hist.right] }), yaxis: axis('cutting length, ' + hist.unit) },
    load.cap === null ? {} : {
      shapes: [{ type: 'line', yref: 'paper', x0: load.cap, x1: load.cap, y0: 0, y1: 1, line: { color: colour('rust'), width: 1.5, dash: 'dash' } }],
      annotations: [{ yref: 'paper', y: 1, x: load.cap, xanchor: 'left', yanchor: 'top', text: ' cap', showarrow: false, font: { color: colour('rust'), size: 12 } }],
    })), config);

  if (!data.view || !hasWebGL()) {
    document.body.classList.add('no3d');
    status('pictures');
    return;
  }

  const view = data.view;
  const fine = data.unit === 'inch' ? '.4f' : '.3f';
  const names = ['cutting', 'links', 'entries'];
  const look = {
    cutting: { color: colour('sea'), width: 3, dash: 'solid' },
    links: { color: colour('amber'), width: 2.5, dash: 'dash' },
    entries: { color: colour('plum'), width: 6, dash: 'solid' },
  };
  const empty = { x: [], y: [], z: [] };
  const traces = [];
  if (view.mesh) {
    const m = view.mesh;
    traces.push({
      type: 'mesh3d', x: m.x, y: m.y, z: m.z, i: m.i, j: m.j, k: m.k, intensity: m.thickness, cmin: 0, cmax: view.limit,
      colorscale: view.ramp, flatshading: true, hovertemplate: '%{x:' + fine + '}, %{y:' + fine + '}, %{z:' + fine + '}<br>leftover %{intensity:' + fine + '} ' + data.unit + '<extra></extra>',
      lighting: { ambient: 0.62, diffuse: 0.55, specular: 0.06, roughness: 0.9, fresnel: 0.05, facenormalsepsilon: 0, vertexnormalsepsilon: 0 }, lightposition: { x: -4e3, y: -6e3, z: 9e3 },
      colorbar: { title: { text: 'leftover, ' + data.unit, side: 'right' }, thickness: 12, len: 0.6, outlinewidth: 0, tickfont: { size: 11.5, color: colour('muted') } },
    });
  }
  const first = traces.length;
  for (const name of names) {
    traces.push(Object.assign({ type: 'scatter3d', mode: 'lines', name, line: look[name], hoverinfo: 'skip', connectgaps: false }, empty));
  }
  const plain = { title: { text: '' }, showgrid: false, zeroline: false, showbackground: false, showspikes: false, tickfont: { size: 10.5, color: colour('muted') }, nticks: 5 };
  await Plotly.newPlot(place('view-plot'), traces, sheet({
    margin: { l: 0, r: 0, t: 0, b: 0 }, uirevision: 'keep',
    scene: { aspectmode: 'data', xaxis: plain, yaxis: plain, zaxis: plain, camera: { eye: { x: 0.8, y: -1.45, z: 1.1 }, center: { x: 0, y: 0, z: -0.12 } } },
  }), Object.assign({}, config, { displayModeBar: false, scrollZoom: true }));

  const slider = $('level-slider');
  const upTo = $('up-to');
  const joined = (parts, key) => {
    const out = new Float32Array(parts.reduce((n, p) => n + p[key].length, 0));
    let at = 0;
    for (const p of parts) { out.set(p[key], at); at += p[key].length; }
    return out;
  };
  let turn = 0;
  async function show() {
    const mine = ++turn;
    const k = Number(slider.value);
    const told = k === 0 ? ['no path', '–', '–', '–', ''] : view.told[k - 1];
    $('level-name').textContent = k === 0 ? 'stock only' : `level ${k} of ${view.levels.length}`;
    ['told-z', 'told-kind', 'told-area', 'told-time', 'told-why'].forEach((id, n) => { $(id).textContent = told[n]; });
    rows.forEach((row, n) => row.classList.toggle('here', n === k - 1));
    const chosen = view.levels.slice(upTo.checked ? 0 : Math.max(k - 1, 0), k);
    const lines = names.map((name) => chosen.map((lv) => lv[name]).filter(Boolean));
    const along = (key) => lines.map((parts) => joined(parts, key));
    await Plotly.restyle('view-plot', { x: along('x'), y: along('y'), z: along('z') }, names.map((_, n) => first + n));
    if (mine === turn) document.documentElement.dataset.level = String(k);
  }
  slider.addEventListener('input', show);
  upTo.addEventListener('change', show);
  $('level-up').addEventListener('click', () => { slider.stepUp(); show(); });
  $('level-down').addEventListener('click', () => { slider.stepDown(); show(); });
  $('colouring').addEventListener('change', (event) => {
    const by = event.target.value;
    const m = view.mesh;
    if (!m) return;
    const low = view.bottom, high = view.top;
    Plotly.restyle('view-plot', by === 'height'
      ? { intensity: [m.z], cmin: low, cmax: high, 'colorbar.title.text': 'Z, ' + data.unit, reversescale: true }
      : { intensity: [m.thickness], cmin: 0, cmax: view.limit, 'colorbar.title.text': 'leftover, ' + data.unit, reversescale: false }, [0]);
  });
  rows.forEach((row, n) => row.addEventListener('click', () => {
    slider.value = String(n + 1);
    show();
    $('view').scrollIntoView({ block: 'start' });
  }));
  await show();
  status('drawn');
})();
