package firmware

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"time"

	"example.org/panecal/protocol"
)

// Twin is another unit that speaks the protocol: package simunit's Unit. If it
// can tell whether it is Seated, it is asked all the time, and the C unit has
// power while it is.
type Twin interface {
	Serve(ctx context.Context, line io.ReadWriter) error
}

// twin is the near end of a line to a Twin, used by one goroutine at a time.
type twin struct {
	unit    Twin
	lies    func() bool // in its nest, with power
	line    net.Conn
	scanner *protocol.Scanner
	stop    context.CancelFunc
	ended   chan struct{}

	heard    *bytes.Buffer // what the station said, not yet a packet
	packets  *protocol.Scanner
	session  uint32
	started  map[uint32]protocol.CaptureRequest
	identity protocol.Identity
}

// past is what a unit brings along.
type past struct {
	identity protocol.Identity
	milliCel int32
	block    []byte
}

// who is nil for a unit without a past.
func (p *past) who() *protocol.Identity {
	if p == nil {
		return nil
	}
	return &p.identity
}

func newTwin(unit Twin) *twin {
	near, far := net.Pipe()
	ctx, stop := context.WithCancel(context.Background())
	t := &twin{unit: unit, lies: func() bool { return true }, line: near, stop: stop, ended: make(chan struct{}), heard: new(bytes.Buffer),
		started: map[uint32]protocol.CaptureRequest{}}
	if seated, ok := unit.(interface{ Seated() bool }); ok {
		t.lies = seated.Seated
	}
	t.scanner = protocol.NewScanner(near, protocol.MaxPayload)
	t.packets = protocol.NewScanner(t.heard, protocol.MaxPayload)
	go func() {
		defer close(t.ended)
		_ = unit.Serve(ctx, far) // ends with the context
	}()
	return t
}

func (t *twin) close() {
	t.stop()
	t.line.Close()
	<-t.ended
}

// How long a twin may take on a computer that is busy: to hear a request, and
// to tell what it counted, without which the unit would have counted nothing.
const (
	hearTime = 300 * time.Millisecond
	tellTime = time.Second
)

// client speaks to the twin in the session that is open.
func (t *twin) client() *protocol.Client {
	return protocol.NewClient(t.line, protocol.Options{Grace: tellTime, NewSession: func() uint32 { return t.session }})
}

// ask asks a unit who it is.
func ask(ctx context.Context, unit Twin) (*past, error) {
	t := newTwin(unit)
	defer t.close()
	t.session = 1
	c := t.client()
	id, err := c.Identify(ctx)
	if err != nil {
		return nil, err
	}
	status, err := c.Status(ctx)
	if err != nil {
		return nil, err
	}
	block, err := c.ReadConstants(ctx)
	if err != nil {
		return nil, err
	}
	return &past{identity: id, milliCel: status.TempMilliCel, block: block}, nil
}

// hear lets the twin hear what the unit has heard, packet by packet, and drops
// its answers.
func (t *twin) hear(data []byte) {
	t.heard.Write(data)
	for {
		payload, err := t.packets.Next()
		if errors.Is(err, protocol.ErrDamaged) {
			continue
		}
		if err != nil {
			return // the rest is still to come
		}
		request, err := protocol.DecodeRequest(payload)
		if err != nil {
			continue
		}
		switch body := request.Body.(type) {
		case *protocol.WhoAreYou:
			if request.Session != 0 {
				t.session = request.Session
			}
		case *protocol.CaptureRequest:
			t.started[body.ID] = *body
			if body.Kind == protocol.Ranges && t.identity.Kinds.Has(protocol.Histograms) {
				// The unit ranges by itself; the twin has to give it counts.
				body.Kind, body.Compensated = protocol.Histograms, false
				if payload, err = protocol.AppendRequest(nil, request); err != nil {
					continue
				}
			}
		}
		if t.lies() { // a dark one would be waited for in vain
			t.exchange(payload)
		}
	}
}

// hearHex lets the twin hear an event "line".
func (t *twin) hearHex(text string) {
	if data, err := hex.DecodeString(text); err == nil {
		t.hear(data)
	}
}

// countsOf is counts for an event "ended".
func (t *twin) countsOf(ctx context.Context, text string) (command string) {
	var id uint32
	var whole int
	if _, err := fmt.Sscan(text, &id, &whole); err != nil {
		return ""
	}
	if t.lies() {
		if command, err := t.counts(ctx, id, whole == 1); err == nil {
			return command
		}
	}
	// Nothing counted: what a unit with a broken detector would tell.
	return fmt.Sprintf("counts %d 0 0 0 0\n", id)
}

// exchange sends a packet and waits for what comes of it; a twin that is dark
// says nothing.
func (t *twin) exchange(payload []byte) {
	_ = t.line.SetDeadline(time.Now().Add(hearTime))
	defer t.line.SetDeadline(time.Time{})
	if _, err := t.line.Write(protocol.AppendPacket(nil, payload)); err != nil {
		return
	}
	for {
		if _, err := t.scanner.Next(); !errors.Is(err, protocol.ErrDamaged) {
			return
		}
	}
}

// counts brings a capture of the twin to its end and returns the command that
// tells the unit what the twin has counted.
func (t *twin) counts(ctx context.Context, id uint32, whole bool) (string, error) {
	request, ok := t.started[id]
	if !ok {
		return "", fmt.Errorf("capture %d: the twin never heard of it", id)
	}
	c := t.client()
	if _, err := c.Identify(ctx); err != nil {
		return "", err
	}
	if !whole {
		if err := c.Stop(ctx); err != nil {
			return "", err
		}
	}
	p, err := c.Progress(ctx, id)
	for err == nil && p.End == protocol.Running {
		select {
		case <-ctx.Done():
			return "", ctx.Err()
		case <-time.After(time.Millisecond): // the twin lives in real time, as the unit does
		}
		p, err = c.Progress(ctx, id)
	}
	if err != nil {
		return "", err
	}
	kind := request.Kind
	if kind == protocol.Ranges && t.identity.Kinds.Has(protocol.Histograms) {
		kind = protocol.Histograms
	}
	got := &protocol.Capture{ID: id, Kind: kind, Frames: request.Frames}
	if err := c.Fetch(ctx, got); err != nil {
		return "", err
	}
	data := encode(got, t.identity)
	return fmt.Sprintf("counts %d %d %d %d %d\n%s", id, p.ShotsFired, request.Frames, p.TempMilliCel, len(data), data), nil
}

// encode writes a capture as host/light.c reads it.
func encode(c *protocol.Capture, id protocol.Identity) []byte {
	var b []byte
	if c.Kind == protocol.Ranges {
		for _, z := range c.Ranges {
			n := uint64(4)
			if z.Ranged {
				n = 6
			}
			for _, v := range []uint64{n, uint64(z.Signal), uint64(z.SignalU), uint64(z.Ambient), uint64(z.AmbientU), uint64(z.Range), uint64(z.RangeU)} {
				b = binary.LittleEndian.AppendUint64(b, v)
			}
		}
		return b
	}
	counts := c.Counts
	if c.Kind == protocol.Totals { // no bins: the unit must not be asked for them
		counts = make([]uint32, id.Zones()*max(id.Bins, noBins))
	}
	for _, n := range counts {
		b = binary.LittleEndian.AppendUint32(b, n)
	}
	for _, frame := range c.FrameTotals {
		for _, n := range frame {
			b = binary.LittleEndian.AppendUint32(b, n)
		}
	}
	return b
}

// noBins is how many bins the program's hardware has where the identity says
// none.
const noBins = 96

// follow gives the unit what happens to its twin, and the twin what happens to
// the unit, until the process is gone.
func (h *Host) follow(t *twin) {
	defer t.close()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go func() {
		<-h.gone
		cancel()
	}()
	look := time.NewTicker(10 * time.Millisecond)
	defer look.Stop()
	powered := true
	for {
		select {
		case <-h.events.more:
		case <-look.C:
		}
		lines, more := h.events.take()
		for _, line := range lines {
			h.happened(ctx, t, line)
		}
		if !more {
			return
		}
		if t.lies() != powered {
			powered = !powered
			command := "off"
			if powered {
				command = "on"
			}
			if _, err := h.Do(command); err != nil {
				return
			}
		}
	}
}

func (h *Host) happened(ctx context.Context, t *twin, line string) {
	word, rest, _ := strings.Cut(line, " ")
	switch word {
	case "line":
		t.hearHex(rest)
	case "ended":
		if command := t.countsOf(ctx, rest); command != "" {
			_, _ = h.send(command, "counts") // a process that is gone is seen elsewhere
		}
	}
}
