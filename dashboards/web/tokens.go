// SPDX-License-Identifier: Apache-2.0

package web

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"math/big"
	"strings"
)

// NewToken returns 256 bits from the system's random source as 43 characters
// of base64url.
func NewToken() string {
	var b [32]byte
	rand.Read(b[:]) // never fails: crypto/rand ends the program instead
	return base64.RawURLEncoding.EncodeToString(b[:])
}

// HashToken returns the form in which a token is stored: SHA-256 in hex. A
// plain hash is enough for a 256-bit random secret, which cannot be guessed
// from a list; it is not enough for a pairing code, which is short and must
// expire.
func HashToken(token string) string {
	h := sha256.Sum256([]byte(token))
	return hex.EncodeToString(h[:])
}

// tokenID is what a token is listed and revoked by.
func tokenID(token string) string { return HashToken(token)[:8] }

// codeLetters leaves out what is misread on a dirty screen: 0 O, 1 I L, 2 Z,
// 5 S, 8 B, U V.
const codeLetters = "34679ACDEFGHJKMNPQRTWXY"

// NewCode returns a pairing code of eight letters in two groups, such as
// "7KQD-X4MC": about 36 bits, enough for ten minutes behind a rate limit.
func NewCode() string {
	var b strings.Builder
	for i := range 8 {
		if i == 4 {
			b.WriteByte('-')
		}
		n, err := rand.Int(rand.Reader, big.NewInt(int64(len(codeLetters))))
		if err != nil {
			panic(err) // rand.Reader never fails
		}
		b.WriteByte(codeLetters[n.Int64()])
	}
	return b.String()
}

// CleanCode brings a code as typed (lower case, blanks, no hyphen) to the form
// of [NewCode]; what cannot be one comes back unchanged.
func CleanCode(s string) string {
	t := strings.Map(func(r rune) rune {
		if r == '-' || r == ' ' || r == '–' {
			return -1
		}
		return r
	}, strings.ToUpper(s))
	if len(t) != 8 {
		return s
	}
	return t[:4] + "-" + t[4:]
}
