// The page with its list is shown first. Scripts that a browser has kept would
// else run before it, and everybody would wait for them.
requestAnimationFrame(() => setTimeout(() => import('./map.js')));
