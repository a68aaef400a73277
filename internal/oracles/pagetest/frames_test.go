// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"bytes"
	"context"
	"flag"
	"image"
	"image/draw"
	"image/png"
	"os"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

var update = flag.Bool("update", false, "write the pictures of docs/ anew")

// frames are the moments of the whole skin that docs/skin.png shows, each light
// and, under it, dark.
var frames = []string{"skin-joints-mixed", "skin-joints-second", "late-tack", "skin-offline-aramid", "skin-offline-wetout", "skin-turn-done"}

func scheme(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	do(t, ctx, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: name}},
		})
		return err
	}))
}

// frame takes the page from its top in both schemes.
func frame(t *testing.T, ctx context.Context) (both [2]image.Image) {
	t.Helper()
	js[bool](t, ctx, "(scrollTo(0, 0), true)")
	for i, s := range []string{"dark", "light"} {
		scheme(t, ctx, s)
		raw, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
		if err != nil {
			t.Fatal(err)
		}
		if both[1-i], err = png.Decode(bytes.NewReader(raw)); err != nil {
			t.Fatal(err)
		}
	}
	return both
}

// sheet puts the frames side by side.
func sheet(t *testing.T, name string, taken map[string][2]image.Image) {
	t.Helper()
	const w, h, gap = 360, 740, 12
	out := image.NewRGBA(image.Rect(0, 0, len(frames)*(w+gap)-gap, 2*h+gap))
	for k, f := range frames {
		both, ok := taken[f]
		if !ok {
			t.Fatalf("no frame %q was taken", f)
		}
		for row, img := range both {
			at := image.Pt(k*(w+gap), row*(h+gap))
			draw.Draw(out, image.Rectangle{at, at.Add(image.Pt(w, h))}, img, image.Point{}, draw.Src)
		}
	}
	var b bytes.Buffer
	enc := png.Encoder{CompressionLevel: png.BestCompression}
	if err := enc.Encode(&b, out); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}
