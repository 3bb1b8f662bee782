package release

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"strings"
	"time"
)

// Header is the release table of a released file.
type Header struct {
	Author    string      `toml:"author"`
	Approver  string      `toml:"approver"` // another person
	Reason    string      `toml:"reason"`
	Effective time.Time   `toml:"effective"` // zero: at once
	Until     time.Time   `toml:"until"`     // zero: until another revision follows
	Signature []Signature `toml:"signature"`
}

// Signature is one person's signature over [Document.Message].
type Signature struct {
	Person  string `toml:"person" need:"add person = \"…\", the author or the approver"`
	Ed25519 string `toml:"ed25519" need:"add ed25519 = \"…\", the signature in base64"` // RFC 8032, standard base64
}

// Problem says what is wrong with the header by itself, with the key at fault
// and the way to mend it; all empty where nothing is.
func (h Header) Problem() (key, problem, mend string) {
	if strings.TrimSpace(h.Author) == "" && (h.Author != "" || h.Approver != "" || h.Reason != "" || !h.Effective.IsZero() || !h.Until.IsZero() || len(h.Signature) > 0) {
		return "author", "the release has no author", "write author = \"…\", the name of who wrote this revision"
	}
	if h.Author != "" && strings.EqualFold(strings.TrimSpace(h.Author), strings.TrimSpace(h.Approver)) {
		return "approver", "author and approver are the same person", "let another person approve it, or leave approver out until one has"
	}
	if !h.Until.IsZero() && !h.Until.After(h.Effective) {
		return "until", "the release ends before it begins", "write an until after effective, or leave it out"
	}
	return "", "", ""
}

// Document is a released file as far as its identity goes.
type Document struct {
	Kind      string // "limits", "product", "station"
	Revision  string // SHA-256 of Canonical, 64 hex digits
	Canonical []byte // not to be changed
	Header
	Signed bool // author's and approver's signatures verified
}

// ErrUnsigned says that a document carries no signature.
var ErrUnsigned = errors.New("the file is not signed")

// Seal makes the Document of a decoded file: tables as map[string]any, arrays
// as []any, values as go-toml gives them. Content is not kept. A number that
// is not finite is an error.
func Seal(kind string, content map[string]any, h Header) (Document, error) {
	bare := maps.Clone(content)
	if table, ok := bare["release"].(map[string]any); ok {
		table = maps.Clone(table)
		delete(table, "signature")
		bare["release"] = table
		if len(table) == 0 {
			delete(bare, "release")
		}
	}
	b, err := canonical(kind, bare)
	if err != nil {
		return Document{}, err
	}
	sum := sha256.Sum256(b)
	return Document{Kind: kind, Revision: hex.EncodeToString(sum[:]), Canonical: b, Header: h}, nil
}

// Message is what author and approver sign: a line that says what it is, so
// that a signature made for something else never fits, and the revision.
func (d *Document) Message() []byte {
	return []byte("panecal released " + d.Kind + " 1\n" + d.Revision + "\n")
}

// Keys finds the public key of a person who may release, as of now.
type Keys interface {
	Key(person string) (ed25519.PublicKey, bool)
}

// Verify sets Signed if the author and the approver, two persons known to
// keys, have both signed. It returns ErrUnsigned where there is no signature
// at all; Signed stays false with every error.
func (d *Document) Verify(keys Keys) error {
	d.Signed = false
	if len(d.Signature) == 0 {
		return ErrUnsigned
	}
	if d.Author == "" || d.Approver == "" || d.Author == d.Approver {
		return fmt.Errorf("verifying %s %.12s: it needs an author and another person as approver", d.Kind, d.Revision)
	}
	for _, person := range []string{d.Author, d.Approver} {
		if err := d.verify(person, keys); err != nil {
			return fmt.Errorf("verifying %s %.12s: %w", d.Kind, d.Revision, err)
		}
	}
	d.Signed = true
	return nil
}

func (d *Document) verify(person string, keys Keys) error {
	public, ok := keys.Key(person)
	if !ok || len(public) != ed25519.PublicKeySize {
		return fmt.Errorf("no key of %q", person)
	}
	for _, s := range d.Signature {
		if s.Person != person {
			continue
		}
		raw, err := decodeSignature(s.Ed25519)
		if err != nil {
			return fmt.Errorf("signature of %q: %w", person, err)
		}
		if ed25519.Verify(public, d.Message(), raw) {
			return nil
		}
		return fmt.Errorf("signature of %q does not fit", person)
	}
	return fmt.Errorf("no signature of %q", person)
}
