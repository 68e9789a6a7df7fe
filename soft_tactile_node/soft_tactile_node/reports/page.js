// Plots are drawn on canvases, which style sheets do not reach: give them the colours of the page, and follow a change.
(function () {
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const schemes = {
    light: { paper: "#ffffff", ink: "#1b1f23", quiet: "#57606a", line: "#d0d7de" },
    dark: { paper: "#14181c", ink: "#e6e9ec", quiet: "#a3acb5", line: "#3a424a" },
  };
  function colour(model, scheme) {
    if (model.type === "Figure") {
      model.background_fill_color = scheme.paper;
      model.border_fill_color = scheme.paper;
      model.outline_line_color = scheme.line;
      if ("border_line_color" in model) model.border_line_color = null;
    } else if (/Axis$/.test(model.type)) {
      model.axis_label_text_color = scheme.ink;
      model.major_label_text_color = scheme.ink;
      model.axis_line_color = scheme.quiet;
      model.major_tick_line_color = scheme.quiet;
    } else if (model.type === "Grid") {
      model.grid_line_color = scheme.line;
    } else if (model.type === "Legend") {
      model.label_text_color = scheme.ink;
      model.background_fill_color = scheme.paper;
      model.border_line_color = scheme.line;
    } else if (model.type === "Title" || model.type === "Label") {
      model.text_color = scheme.ink;
    } else if ((model.tags || []).includes("ink")) {
      model.line_color = scheme.ink;
    }
  }
  function paint(scheme) {
    for (const page of window.Bokeh.documents) {
      for (const root of page.roots()) {
        for (const model of root.references()) colour(model, scheme);
      }
    }
  }
  function follow() { paint(dark.matches ? schemes.dark : schemes.light); }
  function rootIn(figure) {
    const roots = window.Bokeh.documents.flatMap((page) => page.roots());
    return roots.find((root) => figure.contains(window.Bokeh.index[root.id].el));
  }
  // A row a point: its curve by the name in the legend, then every column that any curve has; x and y with their units.
  function numbers(root) {
    const legends = [...root.references()].filter((model) => model.type === "Legend");
    const named = new Map(legends.flatMap((one) => one.items.flatMap((item) => item.renderers.map((r) => [r, item.label.value]))));
    const curves = root.renderers.filter((one) => one.data_source);
    const columns = [...new Set(curves.flatMap((one) => toEntries(one.data_source.data).map(([name]) => name)))];
    const units = { x: root.below[0].axis_label, y: root.left[0].axis_label };
    const rows = [["curve", ...columns.map((name) => (units[name] ? `${name}: ${units[name]}` : name))]];
    curves.forEach((one, k) => {
      const data = new Map(toEntries(one.data_source.data));
      const count = Math.max(...[...data.values()].map((values) => values.length));
      for (let row = 0; row < count; row += 1) {
        rows.push([named.get(one) || `curve ${k + 1}`, ...columns.map((name) => (data.has(name) ? data.get(name)[row] : ""))]);
      }
    });
    const cell = (value) => (Number.isNaN(value) || value === null || value === undefined ? "" : `${value}`);
    const quoted = (text) => (/[",\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text);
    return rows.map((row) => row.map((value) => quoted(cell(value))).join(",") + "\n").join("");
  }
  function toEntries(data) {
    return data instanceof Map ? [...data] : Object.entries(data);
  }
  async function drawing(root) {
    paint(schemes.light);
    const blob = await window.Bokeh.index[root.id].export("svg").to_blob();
    follow();
    return blob;
  }
  document.querySelectorAll("button[data-as]").forEach((button, k) => {
    button.addEventListener("click", async function () {
      const root = rootIn(button.closest("figure"));
      const kind = button.dataset.as;
      const blob = kind === "svg" ? await drawing(root) : new Blob([numbers(root)], { type: "text/csv" });
      const link = document.createElement("a");
      link.href = URL.createObjectURL(blob);
      link.download = `plot_${Math.floor(k / 2) + 1}.${kind}`;
      link.click();
      URL.revokeObjectURL(link.href);
    });
  });
  window.addEventListener("beforeprint", function () {
    paint(schemes.light);
    for (const page of window.Bokeh.documents) {
      for (const root of page.roots()) window.Bokeh.index[root.id].paint(); // at once: paper does not wait for the next frame
    }
  });
  window.addEventListener("afterprint", follow);
  dark.addEventListener("change", follow);
  (function wait() {
    if (window.Bokeh && window.Bokeh.documents.length > 0) follow();
    else window.setTimeout(wait, 20);
  })();
})();
