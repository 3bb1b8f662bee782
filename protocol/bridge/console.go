package main

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"example.org/panecal/protocol"
)

// console asks a unit's text console. It is used by one goroutine at a time.
type console struct {
	port protocol.Port
	rest []byte // read, not part of an answer yet
}

// errNo says that the console refuses or does not understand.
var errNo = errors.New("the console says no")

// answerTime is how long the console may take for a line.
const answerTime = 2 * time.Second

// ask sends a line and returns the words behind the answer's first, which has
// to be want.
func (c *console) ask(want, format string, args ...any) ([]string, error) {
	question := fmt.Sprintf(format, args...)
	c.rest = nil // an answer that came too late is nobody's
	if _, err := c.port.Write([]byte(question + "\n")); err != nil {
		return nil, fmt.Errorf("asking the console %q: %w", question, err)
	}
	if err := c.port.SetReadDeadline(time.Now().Add(answerTime)); err != nil {
		return nil, fmt.Errorf("asking the console %q: %w", question, err)
	}
	for {
		if line, rest, ok := strings.Cut(string(c.rest), "\n"); ok {
			c.rest = []byte(rest)
			words := strings.Fields(line)
			if len(words) > 0 && words[0] == want {
				return words[1:], nil
			}
			return nil, fmt.Errorf("asking the console %q: %w (%q)", question, errNo, strings.TrimSpace(line))
		}
		var buf [4096]byte
		n, err := c.port.Read(buf[:])
		c.rest = append(c.rest, buf[:n]...)
		if err != nil {
			return nil, fmt.Errorf("asking the console %q: %w", question, err)
		}
	}
}

// who reads the identity.
func (c *console) who() (*protocol.Identity, error) {
	words, err := c.ask("unit", "who")
	if err != nil || len(words) < 1 {
		return nil, err
	}
	id := &protocol.Identity{UnitID: words[0], ProtoLow: protocol.Version, ProtoHigh: protocol.Version, CountBits: 32,
		MaxIn: 1024, MaxOut: 1024, MaxHeld: 4, Kinds: protocol.KindsOf(protocol.Histograms, protocol.Totals), MaxFrames: 1}
	texts := map[string]*string{"serial": &id.Serial, "product": &id.Product, "firmware": &id.Firmware}
	numbers := map[string]*int{"rows": &id.Rows, "cols": &id.Cols, "bins": &id.Bins, "commit": &id.CommitMS}
	longs := map[string]*int64{"width": &id.BinFS, "first": &id.FirstBinFS, "period": &id.PulsePeriodNS}
	for rest := words[1:]; len(rest) > 1; rest = rest[2:] {
		n, numeric := strconv.ParseInt(rest[1], 10, 32)
		switch key := rest[0]; {
		case texts[key] != nil:
			*texts[key] = rest[1]
		case numbers[key] != nil && numeric == nil:
			*numbers[key] = int(n)
		case longs[key] != nil && numeric == nil:
			*longs[key] = n
		default:
			return nil, fmt.Errorf("the console says %q of itself: %w", strings.Join(rest[:2], " "), errNo)
		}
	}
	if id.CommitMS == 0 {
		id.CommitMS = 1
	}
	return id, nil
}

// numbers reads an answer of nothing but numbers.
func (c *console) numbers(want, format string, args ...any) ([]int64, error) {
	words, err := c.ask(want, format, args...)
	if err != nil {
		return nil, err
	}
	var all []int64
	for _, w := range words {
		n, err := strconv.ParseInt(w, 10, 64)
		if err != nil {
			return nil, fmt.Errorf("the console gives %q for a number: %w", w, errNo)
		}
		all = append(all, n)
	}
	return all, nil
}
