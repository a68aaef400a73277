// Hooks that would otherwise tie the modules in a circle.
export const fit = { onWork: null };
