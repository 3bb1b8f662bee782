package release

import (
	"bytes"
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
)

// MaxSigned is how long a signed file may be, in bytes.
const MaxSigned = 1 << 20

// ErrSignature says that a signed file is not what a known person signed.
var ErrSignature = errors.New("not signed by a known person")

// Signed is the content of a file that one person signed.
type Signed struct {
	Kind   string // what it is, such as "note"
	Person string
	Body   []byte
}

const signedMagic = "panecal signed 1"

// message is what is signed: what it is and who says so belong to it, so that
// a body signed for one thing is never taken for another.
func (s Signed) message() []byte {
	return append(fmt.Appendf(nil, "%s\nkind %s\nby %s\n\n", signedMagic, s.Kind, s.Person), s.Body...)
}

// SignFile returns a body as a file that k has signed:
//
//	panecal signed 1
//	kind note
//	by 4711
//	ed25519 BASE64
//
//	…
func (k Key) SignFile(kind string, body []byte) []byte {
	s := Signed{kind, k.Person, body}
	signature := base64.StdEncoding.EncodeToString(ed25519.Sign(k.private, s.message()))
	return append(fmt.Appendf(nil, "%s\nkind %s\nby %s\ned25519 %s\n\n", signedMagic, kind, k.Person, signature), body...)
}

// Same says whether file, in whatever form, holds the same message of the same
// person. It proves nothing of file.
func (s Signed) Same(file []byte) bool {
	head, body, ok := bytes.Cut(file, []byte("\n\n"))
	lines := strings.Split(string(head), "\n")
	return ok && len(lines) >= 3 && lines[0] == signedMagic && lines[1] == "kind "+s.Kind && lines[2] == "by "+s.Person && bytes.Equal(body, s.Body)
}

// decodeSignature reads a signature in its one form: no other bytes say the same.
func decodeSignature(text string) ([]byte, error) {
	raw, err := base64.StdEncoding.Strict().DecodeString(text)
	if err == nil && base64.StdEncoding.EncodeToString(raw) != text { // the decoder passes line ends over
		err = errors.New("not in its one form")
	}
	return raw, err
}

// OpenSigned returns what a file holds if a person known to keys signed it;
// ErrSignature otherwise. file may come from anywhere.
func OpenSigned(file []byte, keys Keys) (Signed, error) {
	if len(file) > MaxSigned {
		return Signed{}, fmt.Errorf("opening a signed file: %d bytes are more than %d", len(file), MaxSigned)
	}
	head, body, ok := bytes.Cut(file, []byte("\n\n"))
	lines := strings.Split(string(head), "\n")
	if !ok || len(lines) != 4 || lines[0] != signedMagic {
		return Signed{}, errors.New("opening a signed file: this is none")
	}
	s := Signed{Body: body}
	signature := ""
	for i, field := range []struct {
		name  string
		value *string
	}{{"kind", &s.Kind}, {"by", &s.Person}, {"ed25519", &signature}} {
		value, ok := strings.CutPrefix(lines[i+1], field.name+" ")
		if !ok || value == "" {
			return Signed{}, fmt.Errorf("opening a signed file: line %d should say %q", i+2, field.name)
		}
		*field.value = value
	}
	if err := checkPerson(s.Person); err != nil {
		return Signed{}, fmt.Errorf("opening a signed file: %w", err)
	}
	raw, err := decodeSignature(signature)
	if err != nil {
		return Signed{}, fmt.Errorf("opening a signed file: the signature: %w", err)
	}
	public, known := keys.Key(s.Person)
	if !known || len(public) != ed25519.PublicKeySize {
		return Signed{}, fmt.Errorf("opening a signed file: %w: there is no key of %q", ErrSignature, s.Person)
	}
	if !ed25519.Verify(public, s.message(), raw) {
		return Signed{}, fmt.Errorf("opening a signed file: %w: the signature of %q does not fit", ErrSignature, s.Person)
	}
	return s, nil
}
