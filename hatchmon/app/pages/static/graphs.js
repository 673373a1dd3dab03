"use strict";
// Draws each graph anew with Plotly when it comes near the screen, from the JSON beside it. Without this
// file, or until it is done, the server's own picture stands there.
(() => {
  const me = document.currentScript;
  let loaded = null;

  const plotly = () => {
    loaded ??= new Promise((done, failed) => {
      const head = document.head;
      // A style sheet for maps, which we have none of, and which our policy refuses.
      head.appendChild = (node) =>
        node.tagName === "STYLE" && node.textContent ? node : Node.prototype.appendChild.call(head, node);
      const script = document.createElement("script");
      script.src = me.dataset.plotly;
      script.onload = () => { delete head.appendChild; done(window.Plotly); };
      script.onerror = () => { delete head.appendChild; failed(new Error("no script for graphs")); };
      Node.prototype.appendChild.call(head, script);
    });
    return loaded;
  };

  const named = (styles, name) => styles.getPropertyValue(`--t-${name}`) || styles.getPropertyValue(`--${name}`);
  const colour = (styles, word) => {
    const [name, percent] = word.slice(1).split("/");
    if (name === "none") return "rgba(0,0,0,0)";
    const plain = (named(styles, name) || styles.color).trim();
    return percent === undefined ? plain : `${plain}${Math.round(percent * 2.55).toString(16).padStart(2, "0")}`;
  };
  const coloured = (styles, value) => {
    if (typeof value === "string") {
      if (value === "inherit") return styles.fontFamily;
      return /^@[a-z]+(\/\d+)?$/.test(value) ? colour(styles, value) : value;
    }
    if (Array.isArray(value)) return value.map((each) => coloured(styles, each));
    if (value === null || typeof value !== "object") return value;
    return Object.fromEntries(Object.entries(value).map(([key, each]) => [key, coloured(styles, each)]));
  };

  const coarse = matchMedia("(pointer: coarse)");
  const draw = async (plot) => {
    const figure = JSON.parse(document.getElementById(plot.dataset.figure).textContent);
    const { data, layout } = coloured(getComputedStyle(document.body), figure);
    const Plotly = await plotly();
    let board = plot.querySelector(".board");
    if (!board) {
      board = document.createElement("div");
      board.className = "board";
      board.setAttribute("role", "img");
      board.setAttribute("aria-label", plot.querySelector(".chart").getAttribute("aria-label"));
      plot.append(board);
    }
    layout.dragmode = coarse.matches ? false : "zoom";
    await Plotly.react(board, data, layout, { displayModeBar: false, responsive: true, scrollZoom: false });
    plot.classList.add("drawn");
    return board;
  };

  const save = async (plot) => {
    const board = await draw(plot);
    const width = Math.max(board.clientWidth, 900), height = Math.round(width * 0.5);
    const svg = await window.Plotly.toImage(board, { format: "svg", width, height });
    const image = new Image();
    image.src = svg;
    await image.decode();
    const canvas = document.createElement("canvas");
    canvas.width = width * 2;
    canvas.height = height * 2;
    const pen = canvas.getContext("2d");
    pen.fillStyle = getComputedStyle(document.body).backgroundColor;
    pen.fillRect(0, 0, canvas.width, canvas.height);
    pen.drawImage(image, 0, 0, canvas.width, canvas.height);
    const link = document.createElement("a");
    link.href = canvas.toDataURL("image/png");
    link.download = `${plot.closest("figure").id}.png`;
    link.click();
  };

  const plots = [...document.querySelectorAll(".plot[data-figure]")];
  const near = new IntersectionObserver((seen) => {
    for (const each of seen) {
      if (each.isIntersecting) {
        near.unobserve(each.target);
        draw(each.target).catch(() => {});
      }
    }
  }, { rootMargin: "300px" });
  for (const plot of plots) {
    near.observe(plot);
    const button = plot.closest("figure").querySelector("[data-picture]");
    button.hidden = false;
    button.addEventListener("click", () => save(plot));
  }
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    for (const plot of plots) if (plot.classList.contains("drawn")) draw(plot);
  });
})();
