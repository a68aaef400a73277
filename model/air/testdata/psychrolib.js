// SPDX-License-Identifier: Apache-2.0
// Moist air by psychrolib over a grid given on standard input as
// [[temp °C, rh %, pressure Pa], …]: dew point °C, humidity ratio kg/kg and
// saturation pressure Pa of each.
const psy = require(process.argv[2]);
psy.SetUnitSystem(psy.SI);
const grid = JSON.parse(require("fs").readFileSync(0, "utf8"));
console.log(JSON.stringify(grid.map(([t, rh, p]) => [
  psy.GetTDewPointFromRelHum(t, rh / 100),
  psy.GetHumRatioFromRelHum(t, rh / 100, p),
  psy.GetSatVapPres(t),
])));
