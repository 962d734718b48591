"use strict";
/* Sorts the tables of sessions by a column; buttons, so the keyboard works too. */
for (const table of document.querySelectorAll("table.sortable")) {
  const body = table.tBodies[0];
  const heads = [...table.tHead.rows[0].cells];
  heads.forEach((head, column) => {
    const button = head.querySelector("button");
    if (!button) return;
    button.addEventListener("click", () => {
      const down = head.getAttribute("aria-sort") !== "descending";
      for (const other of heads) other.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const key = (row) => row.cells[column].dataset.v ?? row.cells[column].textContent;
      const rows = [...body.rows].map((row, place) => [key(row), place, row]);
      rows.sort((a, b) => {
        const x = Number(a[0]), y = Number(b[0]);
        const order = Number.isNaN(x) || Number.isNaN(y) ? (a[0] < b[0] ? -1 : a[0] > b[0] ? 1 : 0) : x - y;
        return (down ? -order : order) || a[1] - b[1];
      });
      body.append(...rows.map((entry) => entry[2]));
    });
  });
}
