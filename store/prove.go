package store

import (
	"errors"
	"fmt"
	"io"

	"example.org/panecal/store/proof"
	"example.org/panecal/store/record"
)

// Prove makes a proof under a checkpoint from the log in dir: of all records
// about a serial that it covers, unless serial is "", and that the log of an
// earlier checkpoint grew into it, unless since is nil. left is how many records
// about the serial came after the checkpoint. A log that is not the one of the
// checkpoint is an error that wraps ErrDamaged. It reads the whole journal once
// and keeps little of it; progress, if not nil, is told the records done
// and in all.
func Prove(dir, serial string, under FoundCheckpoint, since *FoundCheckpoint, progress func(done, total int64)) (f proof.File, left int, err error) {
	f, left, err = prove(osDisk{}, dir, serial, under, since, progress)
	if err != nil {
		err = fmt.Errorf("proving from the log %s: %w", dir, err)
	}
	return f, left, err
}

func prove(d disk, dir, serial string, under FoundCheckpoint, since *FoundCheckpoint, progress func(done, total int64)) (f proof.File, left int, err error) {
	if progress == nil {
		progress = func(int64, int64) {}
	}
	f = proof.File{Schema: proof.FileSchema, Serial: serial, Checkpoint: string(under.Text)}
	p := proof.NewProver(under.Size)
	if since != nil {
		if since.Size > under.Size {
			return f, 0, fmt.Errorf("the checkpoint %s is not the earlier one", since.Path)
		}
		f.Earlier = string(since.Text)
		if err := p.WantGrowth(since.Size); err != nil {
			return f, 0, err
		}
	}
	var wanted []uint64
	last := uint64(0)
	err = eachRecord(d, dir, func(e record.Skimmed, data []byte) error {
		about := serial != "" && e.Subject.Serial == serial
		switch {
		case int64(e.Ref.Sequence) > under.Size:
			if about {
				left++
			}
			return nil
		case about:
			wanted = append(wanted, e.Ref.Sequence)
			f.Records = append(f.Records, proof.Proven{Record: data})
			if err := p.Want(e.Ref.Sequence); err != nil {
				return err
			}
		}
		if e.Ref.Sequence != last+1 {
			return &DamageError{File: string(journalKind), Offset: -1, What: fmt.Sprintf("record %d stands where %d should", e.Ref.Sequence, last+1)}
		}
		last = e.Ref.Sequence
		p.Add(e.Ref.Hash)
		if last%4096 == 0 {
			progress(int64(last), under.Size)
		}
		return nil
	})
	if err != nil {
		return f, 0, err
	}
	if int64(last) < under.Size || p.Root() != under.Root {
		return f, 0, &DamageError{File: string(journalKind), Offset: -1, What: fmt.Sprintf("this is not the log of the checkpoint %s; `panecal log check` shows where", under.Path)}
	}
	for i, n := range wanted {
		if f.Records[i].Proof, err = p.Record(n); err != nil {
			return f, 0, err
		}
	}
	if since != nil {
		f.Growth, err = p.Growth(since.Size)
	}
	return f, left, err
}

// eachRecord gives each record of a log in order, with its bytes, until each
// returns an error; io.EOF ends it.
func eachRecord(d disk, dir string, each func(record.Skimmed, []byte) error) error {
	m, err := readMark(d, dir)
	if err != nil {
		return err
	}
	w := walk{disk: d, dir: dir, promised: m}
	for {
		e, data, err := w.skim()
		if errors.Is(err, errStepped) {
			continue
		}
		if err == nil {
			err = each(e, data)
		}
		if err != nil {
			if errors.Is(err, io.EOF) {
				err = nil
			}
			return errors.Join(err, w.close())
		}
	}
}
