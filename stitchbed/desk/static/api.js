/* I talk to the desk's server: what changes something goes out as JSON, what went wrong comes back in words.
   In: addresses and values. Out: answers; an Error whose text is found, expected, try. */

const wrongOf = async (answer) => {
  try {
    const said = await answer.json();
    return `${said.found}. Expected: ${said.expected}. Try: ${said.try}.`;
  } catch {
    return answer.status === 403 ? "The desk was started anew: open it with the address it printed." : "The desk gave no answer.";
  }
};

const asked = async (address, request) => {
  let answer;
  try {
    answer = await fetch(address, request);
  } catch {
    throw new Error("The desk does not answer: it may have been ended. Start it again, and go on where you were.");
  }
  if (!answer.ok) throw new Error(await wrongOf(answer));
  return answer;
};

export const post = (address, body = {}) =>
  asked(address, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) });

export const put = (address, body, headers) => asked(address, { method: "PUT", headers, body });

export const textOf = async (address) => (await asked(address, {})).text();

/* Something said for a while, read out by screen readers. */
export const say = (words) => {
  const place = document.getElementById("word");
  place.textContent = words;
  clearTimeout(say.timer);
  say.timer = setTimeout(() => { place.textContent = ""; }, Math.max(4000, words.length * 70));
};

/* Do something; what goes wrong is said. */
export const tried = async (does) => {
  try {
    return await does();
  } catch (error) {
    say(error.message);
    return undefined;
  }
};
