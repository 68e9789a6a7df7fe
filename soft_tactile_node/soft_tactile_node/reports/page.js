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
    } else if (model.type === "Title") {
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
  window.addEventListener("beforeprint", function () { paint(schemes.light); });
  window.addEventListener("afterprint", follow);
  dark.addEventListener("change", follow);
  (function wait() {
    if (window.Bokeh && window.Bokeh.documents.length > 0) follow();
    else window.setTimeout(wait, 20);
  })();
})();
