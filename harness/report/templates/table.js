"use strict";
// Marks every table that is wider than its place, so that it says so.
(function () {
  const places = Array.from(document.querySelectorAll(".wide"));
  function measure() {
    places.forEach(function (place) { place.classList.toggle("over", place.scrollWidth > place.clientWidth + 1); });
  }
  window.addEventListener("resize", measure);
  document.addEventListener("toggle", measure, true);
  document.addEventListener("change", measure);
  measure();
})();

// Picks the quantity, filters and sorts the table of corners. Without script the table shows the first quantity.
(function () {
  const table = document.getElementById("table");
  const body = table.tBodies[0];
  const rows = Array.from(body.rows);
  const pick = document.getElementById("pick");
  const sieve = document.getElementById("sieve");
  const tally = document.getElementById("tally");
  const nothing = document.getElementById("nothing");
  const headings = Array.from(table.tHead.rows[0].cells);

  // What a filter may hit: only what can be read, so not the columns of hidden quantities.
  function words(row) {
    const hidden = Array.from(row.cells).filter(function (cell) {
      return !cell.classList.contains("q") || cell.classList.contains("q" + pick.value);
    });
    const axes = headings.map(function (heading, index) {
      return heading.dataset.axis ? heading.dataset.axis + " " + row.cells[index].textContent : "";
    });
    return (hidden.map(function (cell) { return cell.textContent; }).join(" ") + " " + axes.join(" ")).toLowerCase();
  }

  function filter() {
    const wanted = sieve.value.toLowerCase().split(",").map(function (part) { return part.trim(); }).filter(Boolean);
    let shown = 0;
    rows.forEach(function (row) {
      const text = wanted.length ? words(row) : "";
      row.hidden = !wanted.every(function (part) { return text.includes(part); });
      shown += row.hidden ? 0 : 1;
    });
    tally.textContent = shown + " of " + rows.length + " rows";
    nothing.hidden = shown > 0;
  }

  function key(row, index, numeric) {
    const cell = row.cells[index];
    if (!numeric) { return cell.textContent; }
    const text = "v" in cell.dataset ? cell.dataset.v : cell.textContent;
    return text === "" ? null : Number.isNaN(Number(text)) ? text : Number(text);
  }

  function compare(one, other) {
    if (typeof one === "number" && typeof other === "number") { return one - other; }
    return String(one).localeCompare(String(other), "en", { numeric: true });
  }

  function sort(heading, index) {
    const descending = heading.getAttribute("aria-sort") === "ascending";
    const numeric = heading.dataset.sort === "number";
    headings.forEach(function (other) { other.removeAttribute("aria-sort"); });
    heading.setAttribute("aria-sort", descending ? "descending" : "ascending");
    const keyed = rows.map(function (row) { return [key(row, index, numeric), row]; });
    keyed.sort(function (one, other) {
      if (one[0] === null || other[0] === null) { return (one[0] === null) - (other[0] === null); }
      return descending ? compare(other[0], one[0]) : compare(one[0], other[0]);
    });
    keyed.forEach(function (pair) { body.appendChild(pair[1]); });
  }

  headings.forEach(function (heading, index) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = heading.textContent;
    button.addEventListener("click", function () { sort(heading, index); });
    heading.replaceChildren(button);
  });
  pick.addEventListener("change", function () { table.dataset.pick = pick.value; filter(); });
  sieve.addEventListener("input", filter);
  document.querySelector(".controls").hidden = false;
  table.dataset.pick = pick.value;
  filter();
})();
