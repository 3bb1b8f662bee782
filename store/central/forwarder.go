package central

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/klauspost/compress/zstd"

	"example.org/panecal/store/record"
)

// stepWithin bounds one batch, so that a server that says nothing is given up; one that is
// only slow is not.
const stepWithin = 5 * time.Minute

// Forwarder carries one log into a history. What it knows of how far it got it reads
// back from there before each batch; it keeps nothing.
type Forwarder struct {
	target   *Target
	log      Log
	software string
	identity record.Hash
	pack     *zstd.Encoder
	conn     *pgx.Conn
}

// Progress is how far a log was carried.
type Progress struct {
	Sent     int        // records, by this step
	Position record.Ref // the last record that the history has, zero for none
	Head     record.Ref // the last record of the log
}

// Lag is how many records the history does not have yet.
func (p Progress) Lag() uint64 {
	if p.Head.Sequence < p.Position.Sequence {
		return 0
	}
	return p.Head.Sequence - p.Position.Sequence
}

// NewForwarder makes one; software is this program's version, as batches tell it.
func NewForwarder(t *Target, l Log, software string) (*Forwarder, error) {
	id, err := l.Identity()
	if err != nil {
		return nil, fmt.Errorf("reading whose log it is: %w", err)
	}
	pack, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithWindowSize(1<<17), zstd.WithLowerEncoderMem(true))
	if err != nil {
		return nil, err
	}
	return &Forwarder{target: t, log: l, software: software, identity: id, pack: pack}, nil
}

// Step carries the next batch, if there is one. An Incident says that the log is not
// taken, and is on record; any other error may be tried again: what was committed
// meanwhile is found by the next step.
func (f *Forwarder) Step(ctx context.Context) (Progress, error) {
	ctx, cancel := context.WithTimeout(ctx, stepWithin)
	defer cancel()
	p, err := f.step(ctx)
	var incident *Incident
	switch {
	case err == nil:
		return p, nil
	case errors.As(err, &incident):
		if rerr := incident.report(ctx, f.conn, f.identity); rerr != nil {
			err = errors.Join(err, fmt.Errorf("putting the incident on record: %w", rerr))
		}
		return p, err
	}
	// The connection may be anywhere in its conversation.
	f.Close()
	return p, fmt.Errorf("carrying the log: %w", err)
}

func (f *Forwarder) step(ctx context.Context) (p Progress, err error) {
	if p.Head, _, err = f.log.Ends(); err != nil {
		return p, err
	}
	if f.conn == nil {
		if f.conn, err = f.target.connect(ctx); err != nil {
			return p, err
		}
		if err := current(ctx, f.conn); err != nil {
			return p, err
		}
	}
	err = pgx.BeginFunc(ctx, f.conn, func(tx pgx.Tx) error {
		after, err := position(ctx, tx, f.log, f.identity)
		if err != nil {
			return err
		}
		p.Position = after
		list, err := f.log.Carry(after, batchRecords, batchBytes)
		if err != nil || len(list) == 0 {
			return err
		}
		b := &batch{f.identity, after, list}
		if err := b.add(ctx, tx, f.pack, f.software); err != nil {
			return f.explain(err, b)
		}
		p.Sent = len(list)
		return nil
	})
	if hasCode(err, uniqueViolation) { // another forwarder was quicker: the next step goes on after it
		p.Sent = 0
		return p, nil
	}
	if err != nil {
		p.Sent = 0
		return p, err
	}
	if p.Sent > 0 {
		// The log may have grown meanwhile; this is what was carried.
		p.Position, err = f.log.Numbered(p.Position.Sequence + uint64(p.Sent))
		p.Head.Sequence = max(p.Head.Sequence, p.Position.Sequence)
	}
	return p, err
}

// explain makes an Incident of what the engine itself refused.
func (f *Forwarder) explain(err error, b *batch) error {
	if !hasCode(err, foreignKeyViolation, checkViolation) {
		return err
	}
	first, last := b.list[0].Ref, b.list[len(b.list)-1].Ref
	return &Incident{Fault: Gap, Station: first.Station, Generation: first.Generation, First: first.Sequence, Last: last.Sequence, There: first.Hash,
		What: fmt.Sprintf("records %d to %d do not follow from what the history has", first.Sequence, last.Sequence)}
}

// Connected says whether a connection is open.
func (f *Forwarder) Connected() bool { return f.conn != nil }

// Close closes the connection; the next Step opens another.
func (f *Forwarder) Close() {
	if f.conn == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	_ = f.conn.Close(ctx) // what was not committed is not there
	f.conn = nil
}
