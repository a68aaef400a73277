// SPDX-License-Identifier: Apache-2.0

package record_test

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"curewright/dashboards/record"
	"curewright/model/coat"
)

func Example() {
	d, err := record.New(record.Input{
		Made:   time.Date(2026, 10, 12, 18, 0, 0, 0, time.UTC),
		Model:  "1",
		Piece:  coat.Piece{ID: "lid-port"},
		Panels: []coat.Panel{{ID: "lid-outer", Piece: "lid-port"}},
		Coats: []record.Coat{{Coat: coat.Coat{ID: "coat-1", Panel: "lid-outer", Resin: "medium", Kind: coat.TackCoat,
			Applied: time.Date(2026, 10, 10, 9, 40, 0, 0, time.UTC)}}},
	})
	if err != nil {
		panic(err)
	}
	var b bytes.Buffer
	if err := record.JSON(&b, d); err != nil {
		panic(err)
	}
	_, err = record.Verify(b.Bytes())
	fmt.Println("as written:", err)
	_, err = record.Verify([]byte(strings.Replace(b.String(), "09:40", "09:10", 1)))
	fmt.Println("edited:", err)
	// Output:
	// as written: <nil>
	// edited: record: content does not match its sum: it was changed after it was made
}
