// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"fmt"
	"hash/fnv"

	"curewright/model/cure"
)

// LawOf is the digest of a resin's cure law: lessons drawn with another law do not hold
// for it.
func LawOf(r *cure.Resin) string {
	h := fnv.New64a()
	fmt.Fprint(h, r.A1, r.A2, r.E1, r.E2, r.M, r.N, r.Tg0, r.TgInf, r.Lambda, r.D, r.W, r.AlphaGel)
	return fmt.Sprintf("%016x", h.Sum64())
}
