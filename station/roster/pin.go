package roster

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/crypto/argon2"
)

// PINDigits is how long a PIN is.
const PINDigits = 6

// The work of a verifier: the second recommendation of RFC 9106, section 4.
const (
	pinPasses  = 3
	pinMemory  = 64 << 10 // KiB
	pinThreads = 4

	// Of a verifier that is read: more would let a line of a file stop the
	// station.
	mostPasses  = 20
	mostMemory  = 256 << 10
	leastMemory = 8 // KiB for each thread, RFC 9106 section 3.1
)

// Verifier is what tells a right PIN from a wrong one, in the usual form of
// argon2 verifiers: $argon2id$v=19$m=…,t=…,p=…$salt$hash.
type Verifier string

// ErrPIN says that a text is no PIN.
var ErrPIN = fmt.Errorf("a PIN has %d digits, not all alike and not in a row", PINDigits)

// NewVerifier makes the verifier of a PIN.
func NewVerifier(pin string) (Verifier, error) {
	return newVerifier(pin, pinPasses, pinMemory, pinThreads)
}

func newVerifier(pin string, passes, memory uint32, threads uint8) (Verifier, error) {
	if !IsPIN(pin) || easy(pin) {
		return "", ErrPIN
	}
	salt := make([]byte, 16)
	if _, err := rand.Read(salt); err != nil {
		return "", fmt.Errorf("making a PIN verifier: %w", err)
	}
	sum := argon2.IDKey([]byte(pin), salt, passes, memory, threads, 32)
	e := base64.RawStdEncoding
	return Verifier(fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memory, passes, threads, e.EncodeToString(salt), e.EncodeToString(sum))), nil
}

// IsPIN reports whether a text has the form of a PIN.
func IsPIN(text string) bool {
	return len(text) == PINDigits && strings.Trim(text, "0123456789") == ""
}

// easy tells whether a PIN is one that everybody tries first.
func easy(pin string) bool {
	step := int(pin[1]) - int(pin[0])
	for i := 1; i < len(pin); i++ {
		if int(pin[i])-int(pin[i-1]) != step {
			return false
		}
	}
	return step >= -1 && step <= 1
}

// parsed is a verifier taken apart.
type parsed struct {
	passes, memory uint32
	threads        uint8
	salt, sum      []byte
}

var errVerifier = errors.New("this is no PIN verifier")

func (v Verifier) parse() (p parsed, err error) {
	part := strings.Split(string(v), "$")
	if len(part) != 6 || part[1] != "argon2id" || part[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return p, errVerifier
	}
	if n, err := fmt.Sscanf(part[3], "m=%d,t=%d,p=%d", &p.memory, &p.passes, &p.threads); n != 3 || err != nil {
		return p, errVerifier
	}
	if p.threads < 1 || p.passes < 1 || p.passes > mostPasses || p.memory < leastMemory*uint32(p.threads) || p.memory > mostMemory {
		return p, errVerifier
	}
	e := base64.RawStdEncoding.Strict()
	if p.salt, err = e.DecodeString(part[4]); err != nil || len(p.salt) < 8 || len(p.salt) > 64 {
		return p, errVerifier
	}
	if p.sum, err = e.DecodeString(part[5]); err != nil || len(p.sum) < 16 || len(p.sum) > 64 {
		return p, errVerifier
	}
	return p, nil
}

// Fits reports whether the verifier was made of this PIN.
func (v Verifier) Fits(pin string) bool {
	p, err := v.parse()
	if err != nil {
		return false
	}
	sum := argon2.IDKey([]byte(pin), p.salt, p.passes, p.memory, p.threads, uint32(len(p.sum)))
	return subtle.ConstantTimeCompare(sum, p.sum) == 1
}
