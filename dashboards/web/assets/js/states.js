// SPDX-License-Identifier: Apache-2.0
// Generated: go test ./dashboards/textures -update. The states, from wet on, and
// what is drawn and said where none is known.

export const states = [
  {"code":"wet","word":"wet","finger":"Flows, strings","tile":{"w":7,"h":7,"dots":[[1.7,1.7,1],[5.2,5.2,1]]}},
  {"code":"tacky","word":"tacky","finger":"Sticks, lifts clean","tile":{"w":10,"h":10,"lines":["M1 6 L4.5 1.5","M6 9.5 L9.5 5"]}},
  {"code":"green","word":"green","finger":"No stick, nail dents","tile":{"w":10,"h":5.5,"lines":["M0 2.75H10"]}},
  {"code":"firm","word":"firm","finger":"Nail slides, no dent","tile":{"w":22,"h":12,"lines":["M2 3.5H9","M13 9.5H20"],"thin":true}},
  {"code":"hard","word":"hard","finger":"Sands to dust"},
  {"code":"unknown","word":"not known","tile":{"w":18,"h":12,"lines":["M0 6q2.25 -5 4.5 0t4.5 0t4.5 0t4.5 0"],"thin":true}},
];
