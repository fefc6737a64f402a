// The terminal has the keys from the beginning: nobody has to click on it first.
new MutationObserver((_, observer) => {
  const keys = document.querySelector(".xterm-helper-textarea");
  if (keys === null) return;
  observer.disconnect();
  keys.focus();
}).observe(document, {childList: true, subtree: true});
