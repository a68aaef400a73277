// SPDX-License-Identifier: Apache-2.0
// Reads a calendar on stdin with ical.js and prints what it found as JSON.
import { createRequire } from "module";
import { readFileSync } from "fs";
const ICAL = createRequire(process.argv[2] + "/")("ical.js").default ?? createRequire(process.argv[2] + "/")("ical.js");
const text = readFileSync(0, "utf8");
const cal = new ICAL.Component(ICAL.parse(text));
const events = cal.getAllSubcomponents("vevent").map((c) => {
  const e = new ICAL.Event(c);
  const a = c.getFirstSubcomponent("valarm");
  const trigger = a.getFirstPropertyValue("trigger");
  return {
    uid: e.uid, summary: e.summary, description: e.description, location: e.location ?? "",
    start: e.startDate.toJSDate().toISOString(), end: e.endDate.toJSDate().toISOString(),
    stamp: c.getFirstPropertyValue("dtstamp").toJSDate().toISOString(),
    action: a.getFirstPropertyValue("action"),
    alarm: trigger instanceof ICAL.Duration ? trigger.toSeconds() : trigger.toJSDate().toISOString(),
  };
});
console.log(JSON.stringify({ version: cal.getFirstPropertyValue("version"), prodid: cal.getFirstPropertyValue("prodid"), events }));
