// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"net/http/httptest"
	"testing"

	"curewright/dashboards/web"
	"curewright/internal/daemon/daemontest"
)

// TestAskForMore: a phone that may enter work finds on its Settings page where to
// type a code that lets it do more, and is let.
func TestAskForMore(t *testing.T) {
	s := newShed(t, daemontest.Options{})
	srv, err := web.New(web.Config{ConfigSection: s.Config.Web, Version: "test", LoopbackRole: web.Record}, s.Daemon.Daemon)
	if err != nil {
		t.Fatal(err)
	}
	hs := httptest.NewServer(srv.Handler())
	t.Cleanup(hs.Close)
	t.Cleanup(hs.CloseClientConnections)
	code, _, err := s.NewPairCode(t.Context(), web.Control, "phone", 0)
	if err != nil {
		t.Fatal(err)
	}
	ctx := phone(t, hs.URL+"/#/settings")
	says(t, ctx, "Here you may enter work.")
	glove(t, ctx)
	tap(t, ctx, "Enter a code")
	says(t, ctx, "Let this phone do more")
	glove(t, ctx)
	type_(t, ctx, "code", code)
	tapAt(t, ctx, "Enter a code", "document.querySelector('#bar .first')")
	says(t, ctx, "Here you may do everything")
}
