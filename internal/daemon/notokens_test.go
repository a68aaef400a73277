package daemon

import (
	"context"
	"errors"
	"strings"
	"testing"

	"curewright/dashboards/web"
)

// TestNoTokensNoYard: beyond this machine the page is not served where who may
// come in can't be kept; on this machine alone it is.
func TestNoTokensNoYard(t *testing.T) {
	full := errors.New("no room on the card")
	asked := 0
	put := func(_ context.Context, _, _ string, _ []byte) error { asked++; return full }
	for _, listen := range []string{"0.0.0.0:8374", "192.0.2.7:8374", "[::]:8374"} {
		err := canKeepTokens(t.Context(), web.ConfigSection{Listen: listen}, put)
		if !errors.Is(err, full) || !strings.Contains(err.Error(), listen) {
			t.Errorf("%s: %v", listen, err)
		}
	}
	if asked != 3 {
		t.Errorf("the store was asked %d times of 3", asked)
	}
	for _, listen := range []string{"127.0.0.1:8374", "[::1]:8374"} {
		if err := canKeepTokens(t.Context(), web.ConfigSection{Listen: listen}, put); err != nil {
			t.Errorf("%s: %v", listen, err)
		}
	}
	put = func(context.Context, string, string, []byte) error { return nil }
	if err := canKeepTokens(t.Context(), web.ConfigSection{Listen: "0.0.0.0:8374"}, put); err != nil {
		t.Errorf("with a store that keeps: %v", err)
	}
}
