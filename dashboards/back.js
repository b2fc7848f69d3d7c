// The way back from a form that was refused: the browser's own, which keeps what was typed.
"use strict";
document.querySelector("[data-back]")?.addEventListener("click", e => { if (history.length > 1) { e.preventDefault(); history.back(); } });
