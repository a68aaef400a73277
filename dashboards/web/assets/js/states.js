// SPDX-License-Identifier: Apache-2.0
// Generated: go test ./dashboards/textures -update. The states, from wet on, and
// what is drawn and said where none is known; what other codes of the board are called.

export const states = [
  {"code":"wet","word":"wet","finger":"Flows, strings","tile":{"w":7,"h":7,"dots":[[1.7,1.7,1],[5.2,5.2,1]]}},
  {"code":"tacky","word":"tacky","finger":"Sticks, lifts clean","tile":{"w":10,"h":10,"lines":["M1 6 L4.5 1.5","M6 9.5 L9.5 5"]}},
  {"code":"green","word":"green","finger":"No stick, nail dents","tile":{"w":10,"h":5.5,"lines":["M0 2.75H10"]}},
  {"code":"firm","word":"firm","finger":"Nail slides, no dent","tile":{"w":22,"h":12,"lines":["M2 3.5H9","M13 9.5H20"],"thin":true}},
  {"code":"hard","word":"hard","finger":"Sands to dust"},
  {"code":"unknown","word":"not known","tile":{"w":18,"h":12,"lines":["M0 6q2.25 -5 4.5 0t4.5 0t4.5 0t4.5 0"],"thin":true}},
];

export const words = {
  "kind.bond": "bond", "kind.fill coat": "fill coat", "kind.seal": "seal", "kind.tack coat": "tack coat", "kind.wet-out": "wet-out",
  "core.foam": "foam", "core.honeycomb": "honeycomb", "core.laminate": "laminate", "core.metal": "metal", "core.wood": "wood",
  "window.cloth": "cloth into the tack coat", "window.coat": "coat on coat", "window.fill": "fill coat over cloth", "window.wet": "wet on wet",
  "flag.act now": "act now", "flag.done": "done", "flag.not known": "not known", "flag.soon": "soon", "flag.trouble": "trouble", "flag.wait": "wait",
};
