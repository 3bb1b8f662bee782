package protocol

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"
)

// Port is a line to one unit. net.Pipe, a TCP connection and package link
// have it. Read returns os.ErrDeadlineExceeded at the deadline; any other
// error means that the line is gone.
type Port interface {
	io.Reader
	io.Writer
	SetReadDeadline(time.Time) error
}

// What a caller branches on.
var (
	ErrNoAnswer     = errors.New("the unit does not answer")
	ErrReset        = errors.New("the unit was reset, or another station spoke to it")
	ErrPortLost     = errors.New("the line is gone")
	ErrBusyTooLong  = errors.New("the unit stays busy")
	ErrVersion      = errors.New("the unit speaks no protocol version of ours")
	ErrInconsistent = errors.New("the unit contradicts itself")
)

// RefusedError is a unit's answer with an error code.
type RefusedError struct {
	Op   Op
	Code Code
}

func (e *RefusedError) Error() string { return fmt.Sprintf("the unit refuses %q: %v", e.Op, e.Code) }

// MalformedError says that a unit's answers, whole and with a good check, are
// none of this protocol. Package conform's Fault names the clause.
type MalformedError struct {
	Payload   []byte // of the last of them
	Announced int    // the largest payload that the unit has announced
	Err       error
}

func (e *MalformedError) Error() string { return fmt.Sprintf("malformed answer: %v", e.Err) }
func (e *MalformedError) Unwrap() error { return e.Err }

// EndedError says that a capture ended before its last shot.
type EndedError struct{ Progress Progress }

func (e *EndedError) Error() string {
	return fmt.Sprintf("the capture ended early (%v) after %d shots", e.Progress.End, e.Progress.ShotsFired)
}

// Timing of the station's side (SPEC.md 4.5).
const (
	FirstByte = 100 * time.Millisecond // within which a unit begins its answer
	PollEvery = 200 * time.Millisecond // while a capture runs
	Tries     = 3
)

// Options of a client; the zero value serves for a line of unknown speed.
type Options struct {
	// Baud of the line, for the time that a request is under way; 0 for
	// none.
	Baud int
	// Grace is added to FirstByte for adapters and queues; 0 means 50 ms.
	Grace time.Duration
	// BusyLimit is how long one request may be put off; 0 means 15 s.
	BusyLimit time.Duration
	// Now is the clock; nil means time.Now.
	Now func() time.Time
	// NewSession chooses session numbers, not 0; nil means at random.
	NewSession func() uint32
	// OnRetry is told of each request sent again, from the goroutine that
	// called the client; nil for none.
	OnRetry func(op Op, try int)
}

// Counters of a client since it was made.
type Counters struct {
	Requests   int           // sent, repetitions included
	Retries    int           // of these repetitions
	Busy       int           // answers "busy"
	BadPackets int           // damaged, or no answer of this protocol
	Dropped    int           // late or repeated answers
	Echoes     int           // our own requests heard back
	BytesIn    int64         // heard, noise included
	BytesOut   int64         // sent
	Awaited    time.Duration // with a request unanswered
}

// Client speaks to one unit. Its methods may be called from several
// goroutines; each exchange waits for the one before, so a Stop gets in
// between two polls of a running Capture.
//
// Every method returns one of the package's errors, the context's, or a
// mistake in the request itself. After ErrReset only Identify and Stop talk
// to the unit.
type Client struct {
	port Port
	opt  Options

	mu       sync.Mutex // one exchange at a time; guards all below
	in       *heard
	scanner  *Scanner
	lastID   uint32
	captures uint32
	session  uint32
	identity Identity
	sent     time.Time // when the last byte handed over has left
	count    Counters
}

// NewClient returns a client on port, which it never closes.
func NewClient(port Port, opt Options) *Client {
	if opt.Grace == 0 {
		opt.Grace = 50 * time.Millisecond
	}
	if opt.BusyLimit == 0 {
		opt.BusyLimit = 15 * time.Second
	}
	if opt.Now == nil {
		opt.Now = time.Now
	}
	if opt.NewSession == nil {
		opt.NewSession = randomSession
	}
	in := &heard{port: port, now: opt.Now}
	return &Client{port: port, opt: opt, in: in, scanner: NewScanner(in, MaxPayload)}
}

func randomSession() uint32 {
	var b [4]byte
	rand.Read(b[:]) // never fails (crypto/rand)
	return binary.LittleEndian.Uint32(b[:]) | 1
}

// Stats returns the counters.
func (c *Client) Stats() Counters {
	c.mu.Lock()
	defer c.mu.Unlock()
	count := c.count
	count.BytesIn = c.in.bytes
	return count
}

// Identify asks who the unit is and opens a new session: a capture that
// still runs in it ends, what was staged is forgotten.
func (c *Client) Identify(ctx context.Context) (Identity, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.session = max(1, c.opt.NewSession())
	a, err := c.one(ctx, &WhoAreYou{})
	if err != nil {
		c.session = 0
		return Identity{}, fmt.Errorf("asking who the unit is: %w", err)
	}
	id := *a.Body.(*Identity)
	before := c.identity
	c.identity = id
	if what := before.changed(id); what != "" {
		c.session = 0
		return Identity{}, fmt.Errorf("asking who the unit is: %w: unit %s has another %s than before", ErrInconsistent, id.UnitID, what)
	}
	if id.ProtoLow > Version || id.ProtoHigh < Version {
		c.session = 0
		return id, fmt.Errorf("asking who the unit is: %w: it speaks %d to %d, not %d", ErrVersion, id.ProtoLow, id.ProtoHigh, Version)
	}
	id.Session = c.session
	return id, nil
}

// Status asks for temperature, emitter and faults.
func (c *Client) Status(ctx context.Context) (Status, error) {
	a, err := c.ask(ctx, "asking for status", &AskStatus{})
	if err != nil {
		return Status{}, err
	}
	return *a.Body.(*Status), nil
}

// StartCapture starts a capture; the caller polls Progress at least every
// PollEvery and calls Stop on every way out. Capture does all that.
func (c *Client) StartCapture(ctx context.Context, req CaptureRequest) (Progress, error) {
	return c.progress(ctx, "starting a capture", &req, req.ID)
}

// Progress asks how far a capture is.
func (c *Client) Progress(ctx context.Context, capture uint32) (Progress, error) {
	return c.progress(ctx, "asking for progress", &AskProgress{capture}, capture)
}

func (c *Client) progress(ctx context.Context, doing string, body RequestBody, capture uint32) (Progress, error) {
	a, err := c.ask(ctx, doing, body)
	if err != nil {
		return Progress{}, err
	}
	p := *a.Body.(*Progress)
	if p.Capture != capture {
		return p, fmt.Errorf("%s: %w: of capture %d, not %d", doing, ErrInconsistent, p.Capture, capture)
	}
	return p, nil
}

// ReadConstants reads the constants block in force byte for byte; it is
// empty in a unit that never held one. See ParseBlock.
func (c *Client) ReadConstants(ctx context.Context) ([]byte, error) {
	const doing = "reading constants"
	var block []byte
	for {
		a, err := c.ask(ctx, doing, &ReadConstants{Offset: len(block), Count: MaxPayload})
		if err != nil {
			return nil, err
		}
		part := a.Body.(*ConstantsPart)
		block = append(block, part.Data...)
		if part.Offset != len(block)-len(part.Data) || len(block) > part.Length ||
			len(part.Data) == 0 && len(block) < part.Length {
			return nil, fmt.Errorf("%s: %w: %d bytes at %d of %d", doing, ErrInconsistent, len(part.Data), part.Offset, part.Length)
		}
		if len(block) == part.Length {
			return block, nil
		}
	}
}

// Stage hands a block over to the unit, where it changes nothing yet.
func (c *Client) Stage(ctx context.Context, block []byte) error {
	const doing = "staging constants"
	c.mu.Lock()
	size := c.identity.MaxIn - stageOverhead
	c.mu.Unlock()
	held := 0
	for tries := 0; held < len(block); tries++ {
		n := min(size, len(block)-held)
		if n < 1 || tries > 2*len(block)/size+Tries {
			return fmt.Errorf("%s: %w: %d of %d bytes held", doing, ErrInconsistent, held, len(block))
		}
		a, err := c.ask(ctx, doing, &Stage{Length: len(block), Offset: held, Data: block[held : held+n]})
		if err != nil {
			return err
		}
		// Wherever the unit's gap-free beginning ends, go on from there.
		if held = a.Body.(*Staged).Held; held > len(block) {
			return fmt.Errorf("%s: %w: %d of %d bytes held", doing, ErrInconsistent, held, len(block))
		}
	}
	return nil
}

// Commit brings the staged block into force: when it returns nil the unit
// holds the new block, when it returns an error it holds the old or the new
// one, never a mixture.
func (c *Client) Commit(ctx context.Context, block []byte) error {
	if len(block) < crcSize {
		return fmt.Errorf("committing constants: %w", ErrBadBlock)
	}
	crc := binary.LittleEndian.Uint32(block[len(block)-crcSize:])
	_, err := c.ask(ctx, "committing constants", &Commit{Length: len(block), CRC: crc})
	return err
}

// Void makes the unit hold the void form that bears w. A unit that was made before
// a void could bear one holds the bare form then; one that never had constants may
// hold none.
func (c *Client) Void(ctx context.Context, w Witness) error {
	if err := checkName(w.Station); err != nil {
		return fmt.Errorf("voiding constants: %w", err)
	}
	v := &Void{}
	if w != (Witness{}) {
		v.Witness = w.Bytes()
	}
	_, err := c.ask(ctx, "voiding constants", v)
	return err
}

// Restart lets the unit begin anew. The session is gone afterwards; the
// caller opens protocol mode again where there is a console, and identifies.
func (c *Client) Restart(ctx context.Context) error {
	_, err := c.ask(ctx, "restarting the unit", &Restart{})
	if errors.Is(err, ErrReset) { // its answer was lost, the restart was not
		err = nil
	}
	c.mu.Lock()
	c.session = 0
	c.mu.Unlock()
	return err
}

// Stop switches the emitter off and ends a capture. It needs no session.
func (c *Client) Stop(ctx context.Context) error {
	_, err := c.ask(ctx, "stopping the emitter", &Stop{})
	return err
}

// stopAnyway is Stop on the way out of a capture, whatever became of ctx.
func (c *Client) stopAnyway(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
	defer cancel()
	return c.Stop(ctx)
}

// ask carries out one request.
func (c *Client) ask(ctx context.Context, doing string, body RequestBody) (Answer, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	a, err := c.one(ctx, body)
	if err != nil {
		return a, fmt.Errorf("%s: %w", doing, err)
	}
	return a, nil
}

func (c *Client) one(ctx context.Context, body RequestBody) (answer Answer, err error) {
	given := false
	err = c.exchange(ctx, func() RequestBody {
		if given {
			return nil
		}
		given = true
		return body
	}, func(_ RequestBody, a Answer) error {
		answer = a
		return nil
	})
	return answer, err
}
