/** A style sheet that only some sheets need, fetched with the first of them. Resolves when it holds, or could not be had. */
const asked = new Map();

export function styled(name) {
  if (!asked.has(name)) {
    asked.set(name, new Promise((resolve) => {
      const link = Object.assign(document.createElement("link"), { rel: "stylesheet", href: new URL(`../style/${name}.css`, import.meta.url).href });
      link.addEventListener("load", resolve, { once: true });
      link.addEventListener("error", resolve, { once: true }); // the words stand without it
      document.head.append(link);
    }));
  }
  return asked.get(name);
}
