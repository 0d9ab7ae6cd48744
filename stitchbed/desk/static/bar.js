/* I stand below a picture while something is done on it by hand: a sentence how, and buttons that end it.
   In: words, buttons as [text, what it does, whether it is the main one]. Out: the bar. */

export const handBar = (words, buttons) => {
  const bar = document.createElement("div"), line = document.createElement("p");
  bar.className = "hand-bar";
  line.textContent = words;
  bar.append(line);
  for (const [text, does, main] of buttons) {
    const one = document.createElement("button");
    one.type = "button";
    one.className = main ? "main" : "";
    one.textContent = text;
    one.addEventListener("click", does);
    bar.append(one);
  }
  return bar;
};
