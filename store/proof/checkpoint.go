package proof

import (
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"example.org/panecal/store/record"
)

// ErrProof is wrapped by every error about a proof that does not hold.
var ErrProof = errors.New("this proves nothing")

// Checkpoint says what a log was at one moment: the root over its records, and
// the last of them.
type Checkpoint struct {
	Origin     string // station and log, see Origin
	Size       int64  // records, and the sequence of the last
	Root       tlog.Hash
	Generation uint32
	Head       record.Hash // of the last record
	Time       time.Time   // UTC, second
	// Start is the record that this run of the station began with, 0 where there
	// was none, and StartHash its hash.
	Start     uint64
	StartHash record.Hash
}

// Origin names a log: its station, as far as a name may hold it, and the
// identity that it got when it was made.
func Origin(station string, log record.Hash) string {
	plain := strings.Map(func(r rune) rune {
		if r == '-' || r == '_' || r == '.' || r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' {
			return r
		}
		return '_'
	}, station)
	return "panecal/" + plain + "/" + log.String()[:32]
}

// NewKey makes the key of a station: secret signs, public checks. Both are one
// line of text (package note). The same random bytes give the same key.
func NewKey(origin string, random io.Reader) (secret, public string, err error) {
	return note.GenerateKey(random, origin)
}

// Sign is the checkpoint as a signed note.
func (c Checkpoint) Sign(secret string) ([]byte, error) {
	signer, err := note.NewSigner(strings.TrimSpace(secret))
	if err != nil {
		return nil, fmt.Errorf("signing a checkpoint: %w", err)
	}
	return note.Sign(&note.Note{Text: c.text()}, signer)
}

func (c Checkpoint) text() string {
	text := fmt.Sprintf("%s\n%d\n%s\ngeneration %d\nsequence %d\nhead %s\ntime %s\n",
		c.Origin, c.Size, c.Root, c.Generation, c.Size, c.Head, c.Time.UTC().Format(time.RFC3339))
	if c.Start > 0 {
		text += fmt.Sprintf("start %d %s\n", c.Start, c.StartHash)
	}
	return text
}

// Open reads a checkpoint and checks its signature against a station's public
// key. With no key it is read and signed is false.
func Open(data []byte, public string) (c Checkpoint, signed bool, err error) {
	fail := func(err error) (Checkpoint, bool, error) {
		return Checkpoint{}, false, fmt.Errorf("%w: checkpoint: %w", ErrProof, err)
	}
	var known note.Verifiers = note.VerifierList()
	if public != "" {
		v, err := note.NewVerifier(strings.TrimSpace(public))
		if err != nil {
			return fail(fmt.Errorf("the public key: %w", err))
		}
		known = note.VerifierList(v)
	}
	n, err := note.Open(data, known)
	if u := (*note.UnverifiedNoteError)(nil); errors.As(err, &u) {
		if public != "" {
			return fail(errors.New("it is signed by another key"))
		}
		n = u.Note
	} else if err != nil {
		return fail(err)
	}
	if c, err = parse(n.Text); err != nil {
		return fail(err)
	}
	if all := append(n.Sigs, n.UnverifiedSigs...); len(all) != 1 || !plainBase64(all[0].Base64) {
		return fail(errors.New("one signature, in its one form, is wanted"))
	}
	if c.text() != n.Text {
		return fail(errors.New("not in its one form"))
	}
	return c, public != "", nil
}

// plainBase64 says that no bit of it is left over.
func plainBase64(text string) bool {
	_, err := base64.StdEncoding.Strict().DecodeString(text)
	return err == nil
}

func parse(text string) (c Checkpoint, err error) {
	lines := strings.Split(text, "\n")
	if len(lines) < 8 {
		return c, errors.New("lines are missing")
	}
	c.Origin = lines[0]
	if c.Size, err = strconv.ParseInt(lines[1], 10, 64); err != nil || c.Size < 1 {
		return c, errors.New("no size")
	}
	if c.Root, err = tlog.ParseHash(lines[2]); err != nil {
		return c, err
	}
	for _, line := range lines[3:] {
		key, value, _ := strings.Cut(line, " ")
		switch key {
		case "generation":
			g, gerr := strconv.ParseUint(value, 10, 32)
			c.Generation, err = uint32(g), gerr
		case "head":
			err = c.Head.UnmarshalText([]byte(value))
		case "time":
			c.Time, err = time.Parse(time.RFC3339, value)
		case "start":
			at, hash, _ := strings.Cut(value, " ")
			if c.Start, err = strconv.ParseUint(at, 10, 64); err == nil {
				err = c.StartHash.UnmarshalText([]byte(hash))
			}
		}
		if err != nil {
			return c, fmt.Errorf("%q: %w", key, err)
		}
	}
	return c, nil
}
