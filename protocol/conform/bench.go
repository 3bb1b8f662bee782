package conform

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
)

// Bench is what can be done to a unit from outside its line. A method that
// the bench has no means for returns [ErrUnable], and the clauses that need
// it are reported as not tried.
type Bench interface {
	// Power switches the unit's supply.
	Power(on bool) error
	// CutAt lets the supply fail in the middle of the n-th write to the
	// memory of the constants, counted from now, and come back by itself
	// soon. 0 takes that back and says whether it had happened.
	CutAt(n int) (happened bool, err error)
	// Fault gives the hardware the faults of SPEC.md 5.2.2; 0 heals it.
	Fault(bits uint32) error
	// Damage flips a bit of the constants block in force.
	Damage() error
	// Light says whether the emitter is really driven.
	Light() (bool, error)
}

// ErrUnable says that a bench has no means for something.
var ErrUnable = errors.New("the bench cannot do that")

// NoBench is a bench with nothing on it but the line.
type NoBench struct{}

func (NoBench) Power(bool) error          { return ErrUnable }
func (NoBench) CutAt(int) (bool, error)   { return false, ErrUnable }
func (NoBench) Fault(uint32) error        { return ErrUnable }
func (NoBench) Damage() error             { return ErrUnable }
func (NoBench) Light() (on bool, _ error) { return false, ErrUnable }

// TextBench drives a bench by lines of text, as a unit program on its
// standard input, a relay board or an adapter script can have them: each
// command is one line and is answered by one line.
//
//	off, on      the supply
//	cut N        see Bench.CutAt; cut 0 answers "ok 1" if the cut happened
//	fault BITS   decimal, 0 heals
//	damage
//	light        answers "ok 1" while the emitter is driven, else "ok 0"
//
// The answer is "ok", "ok VALUE", or "no" for what the bench cannot do.
type TextBench struct {
	mu  sync.Mutex
	in  *bufio.Reader
	out io.Writer
}

// NewTextBench returns a bench that writes commands to out and reads answers
// from in. Neither is closed.
func NewTextBench(in io.Reader, out io.Writer) *TextBench {
	return &TextBench{in: bufio.NewReader(in), out: out}
}

func (b *TextBench) do(format string, args ...any) (value string, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	command := fmt.Sprintf(format, args...)
	if _, err := fmt.Fprintln(b.out, command); err != nil {
		return "", fmt.Errorf("telling the bench %q: %w", command, err)
	}
	line, err := b.in.ReadString('\n')
	if err != nil {
		return "", fmt.Errorf("waiting for the bench's answer to %q: %w", command, err)
	}
	switch word, value, _ := strings.Cut(strings.TrimSpace(line), " "); word {
	case "ok":
		return value, nil
	case "no":
		return "", fmt.Errorf("%q: %w", command, ErrUnable)
	}
	return "", fmt.Errorf("the bench answers %q to %q, which is neither ok nor no", strings.TrimSpace(line), command)
}

// Power implements Bench.
func (b *TextBench) Power(on bool) error {
	word := "off"
	if on {
		word = "on"
	}
	_, err := b.do("%s", word)
	return err
}

// CutAt implements Bench.
func (b *TextBench) CutAt(n int) (bool, error) {
	value, err := b.do("cut %d", n)
	return value == "1", err
}

// Fault implements Bench.
func (b *TextBench) Fault(bits uint32) error {
	_, err := b.do("fault %d", bits)
	return err
}

// Damage implements Bench.
func (b *TextBench) Damage() error {
	_, err := b.do("damage")
	return err
}

// Light implements Bench.
func (b *TextBench) Light() (bool, error) {
	value, err := b.do("light")
	return value == "1", err
}

// AskingBench lets a person switch the power; it can do nothing else. Ask
// shows a sentence and returns when it is done.
type AskingBench struct {
	NoBench
	Ask func(sentence string) error
}

// Power implements Bench.
func (b AskingBench) Power(on bool) error {
	if on {
		return b.Ask("Give the unit its power back")
	}
	return b.Ask("Take the unit's power away")
}
