// Small conveniences. Every page works without them.

// A phone shows each row of a table as a card; a cell without its own label takes the column's.
function labelCells(root) {
  for (const table of root.querySelectorAll("table.sheet:not(.formset)")) {
    const head = table.tHead?.rows[0];
    if (!head) continue;
    const labels = [...head.cells].map((cell) => cell.textContent.trim());
    for (const body of table.tBodies) {
      for (const row of body.rows) {
        if (row.cells.length !== labels.length) continue;
        [...row.cells].forEach((cell, column) => {
          if (cell.tagName === "TD" && !cell.classList.contains("do") && !cell.hasAttribute("data-label") && labels[column]) {
            cell.dataset.label = labels[column];
          }
        });
      }
    }
  }
}

// <input type="search" data-filter="id-of-table-or-list"> hides rows that lack any of the words.
function filterRows(field) {
  const target = document.getElementById(field.dataset.filter);
  if (!target) return;
  const words = field.value.toLocaleLowerCase().split(/\s+/).filter(Boolean);
  const rows = target.tBodies ? [...target.tBodies].flatMap((body) => [...body.rows]) : [...target.children];
  let shown = 0;
  for (const row of rows) {
    const text = (row.textContent + " " + (row.dataset.words ?? "")).toLocaleLowerCase();
    row.hidden = !words.every((word) => text.includes(word));
    if (!row.hidden) shown += 1;
  }
  const none = document.querySelector(`[data-filter-none="${field.dataset.filter}"]`);
  if (none) none.hidden = shown > 0;
}

// A formset keeps an empty row in a <template>; its fields are numbered when it is added.
function addRow(button) {
  const formset = button.closest("[data-formset]");
  const total = formset.querySelector('[name$="-TOTAL_FORMS"]');
  const most = formset.querySelector('[name$="-MAX_NUM_FORMS"]');
  const number = Number(total.value);
  const holder = document.createElement("table");
  holder.innerHTML = formset.querySelector("template").innerHTML.replaceAll("__prefix__", String(number));
  const rows = [...holder.querySelectorAll("tr")];
  formset.querySelector("tbody").append(...rows);
  total.value = String(number + 1);
  button.disabled = Boolean(most?.value) && number + 1 >= Number(most.value);
  rows.at(-1)?.querySelector("input:not([type=hidden]), select, textarea")?.focus();
}

function wake(root) {
  labelCells(root);
  for (const button of root.querySelectorAll("[data-print], [data-formset-add], [data-dialog], [data-needs-script]")) button.hidden = false;
}

// "/" goes to the field that searches everything, as long as nothing is being typed.
document.addEventListener("keydown", (event) => {
  if (event.key !== "/" || event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target.closest?.("input, textarea, select, [contenteditable]")) return;
  const field = document.querySelector("[data-search]");
  if (!field || !field.checkVisibility()) return;
  event.preventDefault();
  field.focus();
});

document.addEventListener("input", (event) => {
  if (event.target.matches?.("[data-filter]")) filterRows(event.target);
});

document.addEventListener("change", (event) => {
  const field = event.target;
  // <select data-send> sends its form at once; <input type="checkbox" data-check-all="name"> ticks all of a name.
  if (field.matches?.("[data-send]")) field.form?.requestSubmit();
  if (field.matches?.("[data-check-all]")) {
    const boxes = (field.form ?? document).querySelectorAll(`input[type="checkbox"][name="${field.dataset.checkAll}"]`);
    for (const box of boxes) if (!box.closest("[hidden]")) box.checked = field.checked;
  }
});

document.addEventListener("click", (event) => {
  const button = event.target.closest?.("[data-print], [data-formset-add], [data-dialog], [data-dialog-close]");
  if (!button) return;
  if (button.matches("[data-print]")) window.print();
  if (button.matches("[data-formset-add]")) addRow(button);
  if (button.matches("[data-dialog]")) document.getElementById(button.dataset.dialog)?.showModal();
  if (button.matches("[data-dialog-close]")) button.closest("dialog")?.close();
});

// A form sent twice by an impatient thumb: the second press does nothing until the page is shown again.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.method !== "post" || form.hasAttribute("hx-post")) return;
  if (form.dataset.sent) event.preventDefault();
  else form.dataset.sent = "yes";
});

window.addEventListener("pageshow", () => {
  for (const form of document.querySelectorAll("form[data-sent]")) delete form.dataset.sent;
});

// The menu is a popover on a phone and part of the page on a wide screen.
matchMedia("(min-width: 64rem)").addEventListener("change", () => {
  const rail = document.getElementById("rail");
  if (rail?.matches(":popover-open")) rail.hidePopover();
});

document.addEventListener("htmx:load", (event) => wake(event.detail.elt.parentElement ?? event.detail.elt));

// What the server refused still has something to say: show the page it sent with a 4xx answer.
document.addEventListener("htmx:beforeSwap", (event) => {
  const status = event.detail.xhr.status;
  if (status === 400 || status === 409 || status === 422) {
    event.detail.shouldSwap = true;
    event.detail.isError = false;
  }
});

wake(document);
