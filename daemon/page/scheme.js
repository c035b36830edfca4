// Light or dark: what the system has, or what this screen was told.

const KEY = "nightbench-scheme";

function kept() {
  try {
    return localStorage.getItem(KEY) ?? "";
  } catch {
    return ""; // no storage here: the system's
  }
}

export class Schemes {
  constructor(changed) {
    this.changed = changed;
    this.word = kept();
    this.apply();
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", changed);
  }
  get() {
    return this.word;
  }
  set(word) {
    this.word = word;
    try {
      if (word) localStorage.setItem(KEY, word);
      else localStorage.removeItem(KEY);
    } catch {
      // it holds until the page is closed
    }
    this.apply();
    this.changed();
  }
  apply() {
    if (this.word) document.documentElement.dataset.scheme = this.word;
    else delete document.documentElement.dataset.scheme;
  }
}
