// Lint for the page's scripts. Rules are named one by one, so that no shared configuration has to be installed.

const browser = [
  "document",
  "window",
  "localStorage",
  "navigator",
  "performance",
  "requestAnimationFrame",
  "cancelAnimationFrame",
  "setTimeout",
  "clearTimeout",
  "setInterval",
  "clearInterval",
  "AbortController",
  "AudioContext",
  "OfflineAudioContext",
  "getSelection",
  "atob",
  "Blob",
  "URL",
  "ResizeObserver",
];

export default [
  {
    files: ["**/*.mjs"],
    languageOptions: {
      ecmaVersion: 2023,
      sourceType: "module",
      globals: Object.fromEntries(browser.map((name) => [name, "readonly"])),
    },
    rules: {
      "no-undef": "error",
      "no-unused-vars": "error",
      "no-unreachable": "error",
      "no-dupe-keys": "error",
      "no-const-assign": "error",
      "no-self-compare": "error",
      "no-implicit-globals": "error",
      "no-eval": "error",
      "no-implied-eval": "error",
      "no-shadow": "error",
      "no-var": "error",
      "prefer-const": "error",
      eqeqeq: "error",
      "no-unsafe-finally": "error",
      "no-fallthrough": "error",
      "no-loss-of-precision": "error",
      "use-isnan": "error",
      "valid-typeof": "error",
    },
  },
];
