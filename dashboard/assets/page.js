// Light, dark, or as the system wishes; kept in this browser only.
(function () {
  const order = ["", "light", "dark"];
  const words = { "": "Look: system", light: "Look: light", dark: "Look: dark" };
  const root = document.documentElement;
  const read = () => { try { return localStorage.getItem("theme") || ""; } catch { return ""; } };
  const show = (theme) => {
    if (theme) root.dataset.theme = theme; else delete root.dataset.theme;
    const button = document.getElementById("theme");
    if (button) button.textContent = words[theme];
  };
  show(read());
  document.addEventListener("click", (event) => {
    const button = event.target.closest && event.target.closest("#theme");
    if (button) {
      const next = order[(order.indexOf(read()) + 1) % order.length];
      try { localStorage.setItem("theme", next); } catch { /* private window: it holds until reload */ }
      show(next);
    }
    // A word's explanation closes when one looks elsewhere.
    document.querySelectorAll("details.term[open]").forEach((d) => { if (!d.contains(event.target)) d.open = false; });
  });
  document.addEventListener("click", (event) => {
    const button = event.target.closest && event.target.closest("#change-copy");
    if (!button || !navigator.clipboard) return;
    const text = document.getElementById("change-constants").textContent;
    navigator.clipboard.writeText(text).then(() => {
      button.textContent = "Copied";
      setTimeout(() => { button.textContent = "Copy constants"; }, 1500);
    }, () => { button.textContent = "Select the text and copy it"; });
  });
  document.addEventListener("click", (event) => {
    if (event.target.closest && event.target.closest("#plan-print")) window.print();
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") document.querySelectorAll("details.term[open]").forEach((d) => { d.open = false; });
  });
  new MutationObserver(() => {
    const button = document.getElementById("theme");
    if (button && !Object.values(words).includes(button.textContent)) show(read());
    // A list to choose from: reached by keys itself, and named by the words above it.
    document.querySelectorAll("button.dash-dropdown[tabindex='-1']").forEach((list) => {
      list.tabIndex = 0;
      const words = list.closest(".field") && list.closest(".field").querySelector(".label");
      if (!words) return;
      if (!words.id) words.id = "words-of-" + list.id;
      list.setAttribute("aria-labelledby", words.id + " " + list.getAttribute("aria-labelledby"));
    });
    // A slider and the number beside it are named by the group they stand in.
    document.querySelectorAll(".slider input:not([aria-label]), .slider [role=slider]:not([aria-label])").forEach((part) => {
      part.setAttribute("aria-label", part.closest(".slider").getAttribute("aria-label"));
    });
    // Boxes to tick are boxes, not entries of a list that hold boxes.
    document.querySelectorAll(".field [role=listbox]:has([role=option] input)").forEach((list) => { list.setAttribute("role", "group"); });
    document.querySelectorAll(".field [role=option]:has(input)").forEach((option) => { option.removeAttribute("role"); });
    document.querySelectorAll(".field label[aria-selected]:has(input)").forEach((option) => { option.removeAttribute("aria-selected"); });
    // The place to drop files: its field has no name of its own.
    document.querySelectorAll(".drop input[type=file]:not([aria-label])").forEach((field) => {
      field.setAttribute("aria-label", field.closest(".drop").textContent.trim());
    });
  }).observe(document.body, { childList: true, subtree: true, attributes: true, attributeFilter: ["role", "aria-selected"] });
})();
