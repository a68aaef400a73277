// SPDX-License-Identifier: Apache-2.0

// The routes are in routes.go, and GET /api/v1/openapi.json says of each what it
// takes, answers and refuses. Times are RFC 3339, temperatures °C, bodies JSON.
// Every fault of a request is one entry of {"error":[{"field","what"}]}, with
// status 400 (the request), 401 (no log-in), 403 (not this role, or not from our
// own page), 404, 409 (clashes with the record), 413 (too large) or 429 (too many
// tries).
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
