// SPDX-License-Identifier: Apache-2.0

// Routes, all under /api/v1 unless they begin with another word below. Times
// are RFC 3339, temperatures °C, bodies JSON. Every fault of a request is one
// entry of {"error":[{"field","what"}]}, with status 400 (the request), 401
// (no log-in), 403 (not this role, or not from our own page), 404, 409
// (clashes with the record), 413 (too large) or 429 (too many tries).
//
//	GET  /snapshot                      the bench page's whole data, see [Snapshot]
//	GET  /events (also /events itself)  server-sent: "snapshot" first, then as things happen
//	GET  /coats[?all=true]              {"at","coats":[CoatView]}: open coats; all: the ended too
//	GET  /coats/ID                      one [CoatView]: the estimate's keys, flat, with "record", "feels", "batches", "changes"
//	GET  /coats/ID/trace?from&to&points {"coat","points":[coat.TracePoint]}
//	GET  /coats/ID/feels                {"feels":[…]}
//	POST /coats/ID/feels                {"at","state"} → 201 {"id","created"}
//	GET  /pieces /panels /batches /feels /resins      {"panels":[…]} and so on
//	GET  /pieces/ID … /resins/NAME      {"record":{…},"changes":[Change]}
//	POST /pieces /panels /batches /coats /feels /resins /stock → 201 {"id","created"}
//	PATCH, DELETE /pieces/ID … /resins/NAME → 200 {"id"}; in a patch null clears a field
//	POST /batches/ID/end                {"at","left_g"}, both optional → 200 {"id"}
//	GET  /jobs /jobs/templates /jobs/ID {"jobs":[JobHead]}; {"templates":[job.Template]}; one [JobView]
//	GET  /jobs/ID/file                  the same as a job file, TOML
//	GET  /next[?panel=ID]               {"at","next":[job.Next]}: the one next step of every panel that lies up
//	POST /jobs                          [NewJob]: piece, panels and job at once → 201 [Entered]
//	PATCH, DELETE /jobs/ID /ticks/ID    corrections, as of other records
//	POST /jobs/ID/done                  [job.Done], the one tap: cups empty, coat on, cloth named, coat below closed → 201 [Entered]
//	POST /jobs/ID/mixed                 [job.Mixed]: a planned cup was mixed → 201 [Entered]
//	POST /jobs/ID/feel /feel            [job.Felt]: a finger test by coat, step or panel → 201 [Entered]
//	POST /jobs/ID/skip /jobs/ID/later /jobs/ID/repeat /jobs/ID/reopen /jobs/ID/settle   [job.Put] → 201 [Entered]
//	POST /jobs/ID/insert                {"after"|"before","step"} → 201 [Entered]
//	GET  /entries[?limit=20]            {"entries":[EntryView]}: what was entered, newest first
//	POST /undo /entries/ID/undo         the newest entry, or this one, taken back as a whole → 201 [Undone]
//	POST /readings                      [PushReading] → 202 {"taken","refused"}
//	GET  /readings?probe&from&to        {"probe","readings":[{"time","temp_c","rh_pct","co2_ppm"}]}, streamed;
//	                                    max=N thins it, a row of nulls marking each gap; format=csv gives CSV
//	GET  /probes                        {"probes":[ProbeView]}
//	PUT  /probes/ID                     {"name","role","panel","accepted"}, each optional
//	DELETE /probes/ID                   forget a pushed probe; 409 for one that is wired, named in the file or used
//	GET  /alerts[?all=true]             {"alerts":[alerts.Alert]}
//	POST /alerts/ID/ack                 → 200 {"id"}
//	GET  /settings, PUT /settings       [SettingsView]; PUT takes any of the writable keys
//	POST /clock                         {"time"}: use this phone's time; 409 with "confirm" where what
//	                                    the board knows speaks against it: repeat with {"time", "confirm"}
//	POST /sound/test                    {"channel","heard"}: sound it, or say whether it was heard
//	GET  /air?temp&rh&panel&pressure    moist air at a point
//	GET  /cure?resin&temp&kappa&diffusion   one resin at a steady temperature
//	GET  /pot?resin&grams&shape&diameter_mm&depth_mm&shop&start   one cup
//	POST /mix {"resin","grams" or "area_m2","kind","cloth",…}    what to mix, in batches, and how the pouring stands ([MixQuery])
//	GET  /stock /stock/ID               {"stock":[container with what is left],"ends":[where a job runs out],"habits":{…}}
//	PATCH, DELETE /stock/ID             as for other records
//	GET  /stock.csv, POST /stock/import {"csv":"…"}      the containers as a file; read in whole or not at all
//	GET  /panels/ID/laminate            {"coats":[fibre fraction and g/m² after each coat]}
//	GET  /pieces/ID/bill                what a piece took, wasted and cost
//	POST /plan, POST /resins/fit        a layup day; a resin from its data sheet
//	GET  /memory                        what the shop's coats taught: {"claims","coats","resins","yard",…}, each claim with its coats
//	POST /memory/forget                 {"all":true} or any of {"coat","resin","lot","person"} → {"forgotten"}
//	GET  /memory/file[?what=lots]       all of it as one file; lots: what a yard may share, of nobody
//	POST /memory/file                   such a file → {"board","coats","shared","aside"}
//	GET  /tent, PUT /tent/setpoint {"set_point_c"}, POST /tent/off {"why"}
//	POST /tent/accept {"limits_hash"}   the heater's limits in force, through the socket alone
//	POST /tent/solvent, POST /tent/release, PUT /tent/resume {"on"}
//	POST /tent/aim                      {"coat","wish","from","to","by","probability","apply"}: land a window;
//	                                    with "wish":"soak" {"temp_c","hours","ramp_c_h"} → "tg_c" {"now","after","without"}
//	DELETE /tent/aim                    back to the plain hold
//	GET  /panels/ID/record?format=html|json|csv        the cure record
//	GET  /backup                        the whole store as one file
//	POST /backup                        such a file back (application/octet-stream) → 200 {"next"}
//	POST /pair {"code","device"}        log in: 200 {"token","name","role"} and a cookie; also /pair
//	POST /paircodes {"role","name"}     → 201 {"code","expires"}
//	GET  /tokens, DELETE /tokens/ID
//	GET  /whoami                        {"name","role"}
//	GET  /openapi.json                  all of this as OpenAPI 3.1, with schemas and examples
//	POST /logout                        also /logout
//	GET  /healthz /readyz /metrics
//	GET  /ack/TOKEN                     a page with one button; its POST acknowledges
//	GET  / and the other assets
//
// The gate. A connection whose two ends are both loopback addresses, that asks
// for a loopback name, carries no proxy header and comes from no declared
// proxy, needs no log-in for the roles look and record. The daemon's Unix
// socket needs none at all: the kernel says who is there, and root, the
// daemon's user and its group have the role control. Every other request needs
// a token, as "Authorization: Bearer TOKEN" or as the
// cookie that pairing sets, except /healthz, the page's own files, pairing and
// an acknowledge link. GET and HEAD need the role look; pushing readings push,
// record or control; changing work record; the tent, tokens, pairing codes and
// backups control.
package web
