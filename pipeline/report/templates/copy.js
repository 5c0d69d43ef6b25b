// Buttons that copy the text of another element; without scripts they stay hidden and the text can be selected.
for (const button of document.querySelectorAll("button[data-copy]")) {
  const source = document.getElementById(button.dataset.copy);
  const told = button.parentElement.querySelector("[role=status]");
  button.hidden = false;
  button.addEventListener("click", async () => {
    let done = true;
    try {
      await navigator.clipboard.writeText(source.textContent);
    } catch {
      // a page opened from a file may not write to the clipboard: select the text instead
      getSelection().selectAllChildren(source);
      done = document.execCommand("copy");
    }
    told.textContent = done ? "Copied." : "Selected: copy it with the keyboard.";
  });
}
