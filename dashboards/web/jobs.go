// SPDX-License-Identifier: Apache-2.0

package web

import (
	"context"
	"encoding/json"
	"net/http"
	"time"

	"curewright/model/coat"
	"curewright/model/job"
	"curewright/model/words"
)

// JobBackend keeps the jobs: what is to be done on each panel, one next step at
// a time, and what was entered about it. Every method that enters something
// writes all of it or nothing, and returns once it is on disk.
type JobBackend interface {
	Jobs(ctx context.Context) ([]JobHead, error)
	// Words is the language that the board speaks; nil is English.
	Words() *words.Catalogue
	// Job returns one job with its steps; [ErrNotFound].
	Job(ctx context.Context, id string) (JobView, error)
	// JobFile returns it as a job file.
	JobFile(ctx context.Context, id string) ([]byte, error)
	// NextSteps is the one next step of every panel that lies up.
	NextSteps(ctx context.Context) ([]job.Next, error)
	NewJob(ctx context.Context, who Who, q NewJob, key string) (Entered, error)
	// Enter takes one entry of a job: q is one of [job.Done], [job.Mixed],
	// [job.Felt], [JobPut], [JobInsert]. A job of "" is allowed for a finger
	// test.
	Enter(ctx context.Context, who Who, jobID string, q any, key string) (Entered, error)
	// Entries lists what was entered, newest first.
	Entries(ctx context.Context, limit int) ([]EntryView, error)
	// Undo takes an entry back as a whole; id "" is the newest. [ErrConflict]
	// with the reason where something was entered on top of it.
	Undo(ctx context.Context, who Who, id, key string) (Undone, error)
}

// JobHead is a job in a list.
type JobHead struct {
	ID     string    `json:"id"`
	Name   string    `json:"name"`
	Piece  string    `json:"piece"`
	Resin  string    `json:"resin"`
	Lot    string    `json:"lot"`
	From   string    `json:"from"`
	At     time.Time `json:"at"`
	Panels []string  `json:"panels"`
	Total  int       `json:"steps_total"`
	Done   int       `json:"steps_done"` // or skipped
	Over   bool      `json:"over"`
}

// JobView is one job with its steps and what has been done of each.
type JobView struct {
	JobHead
	Steps []job.StepState `json:"steps"`
	Next  []job.Next      `json:"next"`
	// Stray are entries of steps that are no longer in the job.
	Stray   []job.Tick `json:"stray"`
	Changes []Change   `json:"changes"`
}

// NewJob is what a job is written from: a template, an earlier job, steps, or
// a job file.
type NewJob struct {
	ID       string     `json:"id,omitempty"`
	Name     string     `json:"name,omitempty"`
	Piece    string     `json:"piece,omitempty"`
	Resin    string     `json:"resin,omitempty"`
	Lot      string     `json:"lot,omitempty"`
	Template string     `json:"template,omitempty"`
	From     string     `json:"from,omitempty"`
	Steps    []job.Step `json:"steps,omitempty"`
	TOML     FileText   `json:"toml,omitempty"`
	Panels   []NewPanel `json:"panels,omitempty"`
	At       *time.Time `json:"at,omitempty"`
	Who      string     `json:"who,omitempty"`
}

// NewPanel is one side of the piece: an existing panel by its id, or a new one.
type NewPanel = job.NewPanel

// JobPut is a step skipped, put off, repeated, reopened or settled.
type JobPut struct {
	What string // skip, later, repeat, reopen, settle
	job.Put
}

// JobInsert is a step more.
type JobInsert struct {
	After  string   `json:"after,omitempty"`
	Before string   `json:"before,omitempty"`
	Step   job.Step `json:"step"`
}

// Entered is the answer to an entry.
type Entered struct {
	Entry    string     `json:"entry"`
	Created  bool       `json:"created"` // false: a repeat of an earlier request
	ID       string     `json:"id,omitempty"`
	Panels   []string   `json:"panels,omitempty"`
	Tick     string     `json:"tick,omitempty"`
	Coat     string     `json:"coat,omitempty"`
	Batches  []string   `json:"batches"`
	Batch    string     `json:"batch,omitempty"`
	Feel     string     `json:"feel,omitempty"`
	Say      string     `json:"say"`
	Warnings []string   `json:"warnings"`
	Silenced []string   `json:"silenced"` // alerts that this answers
	Next     []job.Next `json:"next"`
}

// EntryView is one entry, for undo and correction.
type EntryView struct {
	ID      string    `json:"id"`
	At      time.Time `json:"at"`
	By      string    `json:"by"`
	Say     string    `json:"say"`
	Wrote   []Wrote   `json:"wrote"`
	Undoes  string    `json:"undoes,omitempty"`
	Undone  bool      `json:"undone"`
	CanUndo bool      `json:"can_undo"`
}

// Wrote is one record that an entry wrote.
type Wrote = coat.Wrote

// Undone is the answer to an undo.
type Undone struct {
	Entry string     `json:"entry"`
	Undid string     `json:"undid"`
	Say   string     `json:"say"`
	Next  []job.Next `json:"next"`
}

func jobRoutes() []route {
	const get, post, patch, del = "GET", "POST", "PATCH", "DELETE"
	t := []route{
		{get, api + "/jobs", Look, plain((*Server).jobs)},
		{get, api + "/jobs/templates", Look, plain((*Server).jobTemplates)},
		{get, api + "/jobs/{id}", Look, plain((*Server).job)},
		{get, api + "/jobs/{id}/file", Look, plain((*Server).jobFile)},
		{get, api + "/next", Look, (*Server).next},
		{get, api + "/entries", Look, (*Server).entries},
		{post, api + "/jobs", Record, entry(func(s *Server, r *http.Request, q NewJob, key string) (Entered, error) {
			return s.b.NewJob(r.Context(), whoOf(r), q, key)
		})},
		{patch, api + "/jobs/{id}", Record, patched("job")},
		{del, api + "/jobs/{id}", Record, deleted("job")},
		{patch, api + "/ticks/{id}", Record, patched("tick")},
		{del, api + "/ticks/{id}", Record, deleted("tick")},
		{post, api + "/feel", Record, enter(func(q job.Felt) any { return q })},
		{post, api + "/undo", Record, (*Server).undo},
		{post, api + "/entries/{id}/undo", Record, (*Server).undo},
		{post, api + "/jobs/{id}/done", Record, enter(func(q job.Done) any { return q })},
		{post, api + "/jobs/{id}/mixed", Record, enter(func(q job.Mixed) any { return q })},
		{post, api + "/jobs/{id}/feel", Record, enter(func(q job.Felt) any { return q })},
		{post, api + "/jobs/{id}/insert", Record, enter(func(q JobInsert) any { return q })},
	}
	for _, what := range []string{"skip", "later", "repeat", "reopen", "settle"} {
		t = append(t, route{post, api + "/jobs/{id}/" + what, Record, enter(func(q job.Put) any { return JobPut{what, q} })})
	}
	return t
}

// enter takes one entry of a job, whose body is a Q.
func enter[Q any](as func(Q) any) handler {
	return entry(func(s *Server, r *http.Request, q Q, key string) (Entered, error) {
		return s.b.Enter(r.Context(), whoOf(r), r.PathValue("id"), as(q), key)
	})
}

// entry reads what is entered, a Q, and answers with what was done of it.
func entry[Q any](do func(s *Server, r *http.Request, q Q, key string) (Entered, error)) handler {
	return func(s *Server, w http.ResponseWriter, r *http.Request) (any, error) {
		key, err := keyOf(w, r)
		if err != nil {
			return nil, err
		}
		q, err := read[Q](w, r)
		if err != nil {
			return nil, err
		}
		out, err := do(s, r, q, key)
		out.Batches, out.Warnings, out.Silenced, out.Next = orEmpty(out.Batches), orEmpty(out.Warnings), orEmpty(out.Silenced), orEmpty(out.Next)
		return status{http.StatusCreated, out}, err
	}
}

func (s *Server) jobs(r *http.Request) (any, error) {
	js, err := s.b.Jobs(r.Context())
	return map[string]any{"jobs": orEmpty(js)}, err
}

func (s *Server) jobTemplates(*http.Request) (any, error) {
	return map[string]any{"templates": job.Templates(s.b.Words())}, nil
}

func (s *Server) job(r *http.Request) (any, error) {
	v, err := s.b.Job(r.Context(), r.PathValue("id"))
	v.Next, v.Stray, v.Changes = orEmpty(v.Next), orEmpty(v.Stray), orEmpty(v.Changes)
	return v, err
}

func (s *Server) jobFile(r *http.Request) (any, error) {
	text, err := s.b.JobFile(r.Context(), r.PathValue("id"))
	return file{fileName(r.PathValue("id")) + ".toml", "text/plain; charset=utf-8", text}, err
}

func (s *Server) next(_ http.ResponseWriter, r *http.Request) (any, error) {
	q := newQuery(r, "panel")
	panel := q.text("panel")
	if err := q.err(); err != nil {
		return nil, err
	}
	all, err := s.b.NextSteps(r.Context())
	if err != nil {
		return nil, err
	}
	out := []job.Next{}
	for _, n := range all {
		if panel == "" || n.Panel == panel {
			out = append(out, n)
		}
	}
	return struct {
		At   time.Time  `json:"at"`
		Next []job.Next `json:"next"`
	}{s.b.Now(), out}, nil
}

// maxEntries is the most entries that one answer lists.
const maxEntries = 200

func (s *Server) entries(_ http.ResponseWriter, r *http.Request) (any, error) {
	q := newQuery(r, "limit")
	limit := q.whole("limit", 20, 1, maxEntries)
	if err := q.err(); err != nil {
		return nil, err
	}
	es, err := s.b.Entries(r.Context(), limit)
	return map[string]any{"entries": orEmpty(es)}, err
}

func (s *Server) undo(w http.ResponseWriter, r *http.Request) (any, error) {
	key, err := keyOf(w, r)
	if err != nil {
		return nil, err
	}
	if err := noBody(w, r); err != nil {
		return nil, err
	}
	out, err := s.b.Undo(r.Context(), whoOf(r), r.PathValue("id"), key)
	out.Next = orEmpty(out.Next)
	return status{http.StatusCreated, out}, err
}

// MarshalJSON writes a job's records as they are: an unset list is [].
func (e EntryView) MarshalJSON() ([]byte, error) {
	type plain EntryView
	p := plain(e)
	p.Wrote = orEmpty(p.Wrote)
	return json.Marshal(p)
}
