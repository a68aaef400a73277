// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"

	"curewright/dashboards/web"
)

// nothing is a daemon of which nothing is asked: what air holds is arithmetic.
type nothing struct{ web.Backend }

func (nothing) EstimateDurations() *web.Durations { return new(web.Durations) }

func Example() {
	s, err := web.New(web.Config{ConfigSection: web.DefaultSection()}, nothing{})
	if err != nil {
		fmt.Println(err)
		return
	}
	srv := httptest.NewServer(s.Handler()) // the daemon calls s.Serve instead
	defer srv.Close()
	res, err := http.Get(srv.URL + "/api/v1/air?temp=20&rh=50&panel=8")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer res.Body.Close()
	b, _ := io.ReadAll(io.LimitReader(res.Body, 22))
	fmt.Println(res.StatusCode, string(b))
	// Output: 200 {"vapour_pressure_pa":
}

func ExampleHub() {
	h := web.NewHub(4)
	events, end := h.Subscribe()
	defer end()
	h.Publish(web.Event{Name: "work"})
	fmt.Println((<-events).Name)
	// Output: work
}
