// An input that finds names while typing, by either of their two names: the combobox with a list
// of the ARIA Authoring Practices Guide. Its choices are those of the input's datalist.

const MOST = 8;
let count = 0;

function choicesOf(list) {
  return [...list.options].map((option) => ({
    value: option.value,
    label: option.label === option.value ? "" : option.label,
  }));
}

function ranked(choices, text) {
  const wanted = text.trim().toLowerCase();
  if (wanted.length < 2) return [];
  const at = (name) => {
    const found = name.toLowerCase().indexOf(wanted);
    return found < 0 ? Infinity : found && name[found - 1] !== " " ? found + 100 : found;
  };
  return choices
    .map((one) => [Math.min(at(one.value), at(one.label)), one])
    .filter(([place]) => place < Infinity)
    .sort((one, other) => one[0] - other[0])
    .slice(0, MOST)
    .map(([, one]) => one);
}

export function combine(input) {
  const choices = choicesOf(input.list);
  const box = document.createElement("ul");
  box.id = `choices-${++count}`;
  box.className = "choices";
  box.hidden = true;
  box.setAttribute("role", "listbox");
  box.setAttribute("aria-label", "Names that fit");
  input.removeAttribute("list"); // the browser's own list would cover this one
  for (const [name, value] of Object.entries({
    role: "combobox",
    "aria-expanded": "false",
    "aria-controls": box.id,
    "aria-autocomplete": "list",
  })) input.setAttribute(name, value);
  input.after(box);
  let chosen = -1;

  function close() {
    box.hidden = true;
    chosen = -1;
    input.setAttribute("aria-expanded", "false");
    input.removeAttribute("aria-activedescendant");
  }

  function take(option) {
    input.value = option.dataset.value;
    close();
    for (const kind of ["input", "change"]) input.dispatchEvent(new Event(kind, { bubbles: true }));
    close(); // what was taken is no search
  }

  function show() {
    const found = ranked(choices, input.value);
    const taken = found.length === 1 && found[0].value === input.value;
    if (!found.length || taken || choices.some((one) => one.value === input.value)) return close();
    box.replaceChildren(
      ...found.map((one, number) => {
        const option = document.createElement("li");
        option.id = `${box.id}-${number}`;
        option.setAttribute("role", "option");
        option.setAttribute("aria-selected", "false");
        option.dataset.value = one.value;
        const name = document.createElement("b");
        name.textContent = one.value;
        option.append(name, one.label ? ` ${one.label}` : "");
        return option;
      }),
    );
    chosen = -1;
    box.hidden = false;
    input.setAttribute("aria-expanded", "true");
    input.removeAttribute("aria-activedescendant");
  }

  function mark(number) {
    const options = [...box.children];
    chosen = (number + options.length) % options.length;
    options.forEach((option, at) => option.setAttribute("aria-selected", String(at === chosen)));
    options[chosen].scrollIntoView({ block: "nearest" });
    input.setAttribute("aria-activedescendant", options[chosen].id);
  }

  input.addEventListener("input", show);
  input.addEventListener("blur", () => close());
  input.addEventListener("keydown", (event) => {
    if (box.hidden) {
      if (event.key === "ArrowDown") show();
      return;
    }
    if (event.key === "ArrowDown") mark(chosen + 1);
    else if (event.key === "ArrowUp") mark(chosen < 0 ? -1 : chosen - 1);
    else if (event.key === "Enter" && chosen >= 0) take(box.children[chosen]);
    else if (event.key === "Escape") close();
    else return;
    event.preventDefault();
  });
  box.addEventListener("pointerdown", (event) => event.preventDefault()); // the focus stays
  box.addEventListener("click", (event) => {
    const option = event.target.closest("[role=option]");
    if (option) take(option);
  });
}
