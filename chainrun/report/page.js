for (const button of document.querySelectorAll("th button")) {
  button.addEventListener("click", () => {
    const head = button.closest("th"), table = button.closest("table"), body = table.tBodies[0];
    const column = [...head.parentNode.children].indexOf(head);
    const up = head.getAttribute("aria-sort") !== "ascending";
    const text = (row) => row.cells[column].textContent.trim();
    const value = (row) => { const n = parseFloat(text(row)); return Number.isNaN(n) ? (text(row) === "-inf" ? -Infinity : null) : n; };
    const rows = [...body.rows].sort((a, b) => {
      const x = value(a), y = value(b);
      if (x !== null && y !== null) return up ? x - y : y - x;
      if ((x === null) !== (y === null)) return x === null ? 1 : -1;
      return up ? text(a).localeCompare(text(b)) : text(b).localeCompare(text(a));
    });
    for (const other of head.parentNode.children) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", up ? "ascending" : "descending");
    body.append(...rows);
  });
}
for (const player of document.querySelectorAll("audio")) {
  player.addEventListener("play", () => {
    for (const other of document.querySelectorAll("audio")) if (other !== player) other.pause();
  });
}
