package proof

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"

	"example.org/panecal/store/record"
)

// FileSchema is what a proof file says it is.
const FileSchema = "panecal.proof/1"

// maxFile bounds a proof file, bytes.
const maxFile = 64 << 20

// File is a proof that is sent: records of one unit with their places in the
// tree of a checkpoint, or that an earlier log grew into it, or both.
type File struct {
	Schema     string   `json:"schema"`
	Serial     string   `json:"serial"`
	Checkpoint string   `json:"checkpoint"` // signed note
	Records    []Proven `json:"records"`
	// Earlier is an earlier checkpoint, and Growth the proof that its log grew
	// into that of Checkpoint.
	Earlier string         `json:"earlier,omitempty"`
	Growth  tlog.TreeProof `json:"growth,omitempty"`
}

// Proven is one record with its proof.
type Proven struct {
	Record []byte           `json:"record"` // its bytes, base64
	Proof  tlog.RecordProof `json:"proof"`
}

// Checked is what a proof file proves.
type Checked struct {
	Checkpoint Checkpoint
	Earlier    *Checkpoint
	Serial     string
	Records    []record.Entry
}

// Check proves a file, with no log at hand, under a station's public key.
func Check(data []byte, public string) (Checked, error) {
	c, err := check(data, public)
	if err != nil && !errors.Is(err, ErrProof) {
		err = fmt.Errorf("%w: %w", ErrProof, err)
	}
	return c, err
}

func check(data []byte, public string) (Checked, error) {
	var out Checked
	if public == "" {
		return out, errors.New("no public key")
	}
	if len(data) > maxFile {
		return out, fmt.Errorf("%d bytes are no proof", len(data))
	}
	var f File
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&f); err != nil {
		return out, err
	}
	// One form only: nothing in the file may be changed and still pass.
	if again, err := f.Marshal(); err != nil || !bytes.Equal(again, data) {
		return out, errors.New("the file is not in the form in which it was made")
	}
	if f.Schema != FileSchema {
		return out, fmt.Errorf("schema %q, not %s", f.Schema, FileSchema)
	}
	c, _, err := Open([]byte(f.Checkpoint), public)
	if err != nil {
		return out, err
	}
	out.Checkpoint, out.Serial = c, f.Serial
	if f.Earlier == "" && len(f.Records) == 0 {
		return out, errors.New("it holds nothing")
	}
	if f.Earlier != "" {
		e, _, err := Open([]byte(f.Earlier), public)
		if err != nil {
			return out, err
		}
		if err := tlog.CheckTree(f.Growth, c.Size, c.Root, e.Size, e.Root); err != nil {
			return out, fmt.Errorf("the log at record %d did not grow out of the one at record %d: %w", c.Size, e.Size, err)
		}
		out.Earlier = &e
	}
	for i, p := range f.Records {
		e, err := record.Decode(p.Record)
		if err != nil {
			return out, fmt.Errorf("record %d of the file: %w", i+1, err)
		}
		if err := tlog.CheckRecord(p.Proof, c.Size, c.Root, int64(e.Ref.Sequence)-1, Leaf(e.Ref.Hash)); err != nil {
			return out, fmt.Errorf("record %d is not in the log of the checkpoint: %w", e.Ref.Sequence, err)
		}
		if e.Body.Subject().Serial != f.Serial {
			return out, fmt.Errorf("record %d is not about %q", e.Ref.Sequence, f.Serial)
		}
		out.Records = append(out.Records, e)
	}
	return out, nil
}

// Marshal is the file in its one form.
func (f File) Marshal() ([]byte, error) {
	if f.Records == nil {
		f.Records = []Proven{}
	}
	data, err := json.MarshalIndent(f, "", " ")
	return append(data, '\n'), err
}
