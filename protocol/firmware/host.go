package firmware

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync"
	"time"

	"example.org/panecal/protocol"
)

// Options say what the simulated unit is. The zero value is a unit of 6 × 9
// zones and 96 bins without a console, which makes its own photons.
type Options struct {
	// Settings are words KEY=VALUE for the program, see host/main.c.
	Settings []string
	// Twin is where photons, identity, temperature, constants at the start,
	// and power come from; nil for none.
	Twin Twin
	// Alike is asked at the start who it is, instead of Twin, if Twin cannot
	// be or must not notice; nil for none.
	Alike Twin
	// Speed is how many times faster than life exposures run, the twin's too;
	// 0 = 1.
	Speed float64
	// Pulse is the shape that the unit ranges with; nil for the mean of all it
	// counts.
	Pulse *Pulse
	// Stderr takes what the program has to say, as a sanitizer's report; nil
	// for nobody.
	Stderr io.Writer
}

// Pulse is a density tabulated from StartPS in steps of StepPS, linear between
// its points.
type Pulse struct {
	StartPS, StepPS float64
	Density         []float64
}

// Host is the simulated unit as it runs.
type Host struct {
	path        string
	open, close string
	process     *exec.Cmd
	in          io.WriteCloser
	gone        chan struct{} // closed when the process has said its last
	stop        context.CancelFunc
	threads     sync.WaitGroup

	mu      sync.Mutex // one command at a time
	answers chan string
	events  *queue
}

// Start starts a program that Build made. It runs until the context ends or
// Close is called.
func Start(ctx context.Context, program string, o Options) (*Host, error) {
	before, err := o.ask(ctx)
	if err != nil {
		return nil, err
	}
	h, err := start(ctx, program, o, before.who())
	if err != nil {
		return nil, err
	}
	if err := prepare(h, o, before); err != nil {
		return nil, errors.Join(err, h.Close())
	}
	if before == nil {
		return h, nil
	}
	t := newTwin(o.Twin)
	t.identity = before.identity
	h.threads.Go(func() { h.follow(t) })
	return h, nil
}

// ask asks the twin, if there is one, what the unit brings along.
func (o Options) ask(ctx context.Context) (*past, error) {
	asked := o.Alike
	if asked == nil {
		asked = o.Twin
	}
	if o.Twin == nil {
		return nil, nil
	}
	before, err := ask(ctx, asked)
	if err != nil {
		return nil, fmt.Errorf("asking the twin who it is: %w", err)
	}
	return before, nil
}

// words are the program's arguments.
func (o Options) words(identity *protocol.Identity) []string {
	words := []string{"events=1"}
	if identity != nil {
		words = append(append(words, settings(identity)...), "light=parent")
	}
	if o.Speed > 0 {
		words = append(words, fmt.Sprintf("speed=%g", o.Speed))
	}
	if o.Pulse != nil {
		words = append(words, "ranging=pulse")
	}
	return append(words, o.Settings...)
}

func start(ctx context.Context, program string, o Options, identity *protocol.Identity) (*Host, error) {
	ctx, stop := context.WithCancel(ctx)
	process := exec.CommandContext(ctx, program, o.words(identity)...)
	process.Stderr = o.Stderr
	process.WaitDelay = time.Second
	h := &Host{process: process, stop: stop, answers: make(chan string, 1), gone: make(chan struct{}), events: newQueue()}
	in, errIn := process.StdinPipe()
	out, errOut := process.StdoutPipe()
	if err := errors.Join(errIn, errOut, process.Start()); err != nil {
		stop()
		return nil, fmt.Errorf("starting the simulated unit: %w", err)
	}
	h.in = in
	lines := bufio.NewReader(out)
	first, err := lines.ReadString('\n')
	var said struct{ Port, Open, Close string }
	if err == nil {
		err = json.Unmarshal([]byte(first), &said)
	}
	if err != nil || said.Port == "" {
		stop()
		_ = process.Wait() // it was just ended
		return nil, fmt.Errorf("starting the simulated unit: it said %q (%w)", strings.TrimSpace(first), errors.Join(err, io.ErrUnexpectedEOF))
	}
	h.path, h.open, h.close = said.Port, said.Open, said.Close
	h.threads.Go(func() { h.read(lines) })
	return h, nil
}

// settings turns an identity into words for the program.
func settings(id *protocol.Identity) []string {
	one := func(b bool) int {
		if b {
			return 1
		}
		return 0
	}
	return []string{
		"unit=" + id.UnitID, "serial=" + id.Serial, "product=" + id.Product, "firmware=" + id.Firmware,
		fmt.Sprintf("rows=%d", id.Rows), fmt.Sprintf("columns=%d", id.Cols), fmt.Sprintf("bins=%d", id.Bins),
		fmt.Sprintf("bin_fs=%d", id.BinFS), fmt.Sprintf("first_bin_fs=%d", id.FirstBinFS),
		fmt.Sprintf("period_ns=%d", id.PulsePeriodNS), fmt.Sprintf("first_photon=%d", one(id.PileUp == protocol.FirstPhoton)),
		fmt.Sprintf("count_bits=%d", id.CountBits), fmt.Sprintf("payload_in=%d", id.MaxIn),
		fmt.Sprintf("payload_out=%d", id.MaxOut), fmt.Sprintf("held=%d", id.MaxHeld),
		fmt.Sprintf("commit_ms=%d", id.CommitMS), fmt.Sprintf("write_ms=%d", id.CommitMS/2),
		fmt.Sprintf("kinds=%d", kindBits(id.Kinds)), fmt.Sprintf("uncompensated=%d", one(id.CompensationOff)),
		fmt.Sprintf("frames=%d", id.MaxFrames),
	}
}

func kindBits(k protocol.Kinds) int {
	bits := 0
	for i, kind := range []protocol.CaptureKind{protocol.Histograms, protocol.Totals, protocol.Ranges, protocol.EvenLight} {
		if k.Has(kind) {
			bits |= 1 << i
		}
	}
	return bits
}

// bench gives a program commands.
type bench interface {
	send(text, what string) (value string, err error)
}

// prepare puts the unit into the state that it begins with.
func prepare(h bench, o Options, before *past) error {
	if p := o.Pulse; p != nil {
		line := fmt.Sprintf("pulse %g %g", p.StartPS, p.StepPS)
		for _, v := range p.Density {
			line += fmt.Sprintf(" %g", v)
		}
		if _, err := h.send(line+"\n", "pulse"); err != nil {
			return err
		}
	}
	if before == nil {
		return nil
	}
	if _, err := h.send(fmt.Sprintf("temperature %d\n", before.milliCel), "temperature"); err != nil {
		return err
	}
	if len(before.block) > 0 {
		_, err := h.send(fmt.Sprintf("constants %d\n%s", len(before.block), before.block), "constants")
		return err
	}
	return nil
}

// Path is the pseudo-terminal that the unit speaks on.
func (h *Host) Path() string { return h.path }

// Console returns the texts that open and close protocol mode, empty without
// a console.
func (h *Host) Console() (open, close string) { return h.open, h.close }

// Do gives the bench's part of the program a command (see host/main.c) and
// returns the value of its answer.
func (h *Host) Do(command string) (value string, err error) {
	return h.send(command+"\n", command)
}

// EmitterOn says whether the emitter is driven at this moment.
func (h *Host) EmitterOn() (bool, error) {
	v, err := h.Do("light")
	return v == "1", err
}

func (h *Host) send(text, what string) (string, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if _, err := io.WriteString(h.in, text); err != nil {
		return "", fmt.Errorf("telling the simulated unit %q: %w", what, err)
	}
	select {
	case line := <-h.answers:
		return valueOf(line, what)
	case <-h.gone:
		return "", fmt.Errorf("telling the simulated unit %q: %w", what, io.ErrUnexpectedEOF)
	}
}

// valueOf takes the answer to a command apart.
func valueOf(line, what string) (string, error) {
	word, value, _ := strings.Cut(line, " ")
	if word != "ok" {
		return "", fmt.Errorf("telling the simulated unit %q: it says %q", what, line)
	}
	return value, nil
}

// read takes apart what the program says. It never waits for anybody, so that
// the program never waits for us.
func (h *Host) read(lines *bufio.Reader) {
	defer h.events.close()
	defer close(h.gone)
	for {
		line, err := lines.ReadString('\n')
		if err != nil {
			return
		}
		line = strings.TrimSuffix(line, "\n")
		if what, ok := strings.CutPrefix(line, "event "); ok {
			h.events.put(what)
			continue
		}
		select {
		case h.answers <- line:
		default: // nobody asked
		}
	}
}

// Close ends the process and everything that belongs to it. The error is the
// process's own, as a sanitizer's exit code.
func (h *Host) Close() error {
	h.mu.Lock()
	_ = h.in.Close() // it ends by itself then; the context sees to it if not
	h.mu.Unlock()
	select {
	case <-h.gone:
	case <-time.After(2 * time.Second):
	}
	killed := false
	select {
	case <-h.gone:
	default:
		killed = true
	}
	err := h.process.Wait()
	h.stop()
	h.threads.Wait()
	if err != nil && !killed && h.process.ProcessState.ExitCode() > 0 {
		return fmt.Errorf("the simulated unit: %w", err)
	}
	return nil
}

// Serve joins the unit's pseudo-terminal to another line until the context
// ends or the line is gone, as package simunit's units do. The line stays the
// caller's.
func (h *Host) Serve(ctx context.Context, line io.ReadWriter) error {
	own, err := os.OpenFile(h.path, os.O_RDWR|noControl, 0)
	if err != nil {
		return fmt.Errorf("opening the simulated unit's line: %w", err)
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	d, deadlines := line.(interface{ SetDeadline(time.Time) error })
	if deadlines { // who served before may have left one
		if err := d.SetDeadline(time.Time{}); err != nil {
			own.Close()
			return fmt.Errorf("serving the simulated unit on a line: %w", err)
		}
	}
	var both sync.WaitGroup
	copyTo := func(to io.Writer, from io.Reader) {
		_, err := io.Copy(to, from)
		cancel(errors.Join(err, io.EOF))
	}
	both.Go(func() { copyTo(own, line) })
	both.Go(func() { copyTo(line, own) })
	<-ctx.Done()
	own.Close()
	if deadlines { // frees the two; a line without waits for its end
		_ = d.SetDeadline(time.Unix(1, 0))
	}
	both.Wait()
	return context.Cause(ctx)
}
