package main

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"fmt"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/conform"
)

// consoleUnit is a unit with nothing but a text console: two zones of six
// bins, a shot every microsecond.
type consoleUnit struct {
	mu    sync.Mutex
	shots int64
	began time.Time
	dark  time.Time // zero while it fires
	block string
}

const (
	consoleBins   = 6
	consolePeriod = time.Microsecond
)

// fired is how many shots there were, and whether there will be more.
func (u *consoleUnit) fired() (n int64, on bool) {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.count()
}

func (u *consoleUnit) count() (n int64, on bool) {
	until := time.Now()
	if !u.dark.IsZero() {
		until = u.dark
	}
	n = min(u.shots, int64(until.Sub(u.began)/consolePeriod))
	return n, u.dark.IsZero() && n < u.shots
}

func (u *consoleUnit) reply(line string) string {
	u.mu.Lock()
	defer u.mu.Unlock()
	words := strings.Fields(line)
	if len(words) == 0 {
		return "no"
	}
	var n int64
	switch word, args := words[0], words[1:]; {
	case word == "who":
		return "unit 00A17C serial TX-0001 product hopper-text firmware 0.3 rows 1 cols 2 bins 6 width 250000 first -250000 period 1000 commit 5"
	case word == "temp":
		return "temp 24125"
	case word == "fire" && len(args) == 1:
		if _, err := fmt.Sscan(args[0], &n); err != nil {
			return "no"
		}
		u.shots, u.began, u.dark = n, time.Now(), time.Time{}
		return "ok"
	case word == "fired":
		n, on := u.count()
		return fmt.Sprintf("fired %d %s", n, map[bool]string{true: "on", false: "off"}[on])
	case word == "dark":
		if u.dark.IsZero() {
			u.dark = time.Now()
		}
		return "ok"
	case word == "counts" && len(args) == 1:
		if _, err := fmt.Sscan(args[0], &n); err != nil {
			return "no"
		}
		fired, _ := u.count()
		out := "counts"
		for b := range int64(consoleBins) {
			out += fmt.Sprintf(" %d", fired*(n+1)*(b+1)/1000)
		}
		return out
	case word == "load":
		return "block " + u.block
	case word == "store" && len(args) == 1:
		u.block = args[0]
		return "ok"
	case word == "reset":
		u.shots, u.dark = 0, time.Now()
		return "ok"
	}
	return "no"
}

// start puts a bridge between a console and the returned line.
func start(t *testing.T, u *consoleUnit) (line net.Conn, b *unit, end func()) {
	t.Helper()
	consoleNear, consoleFar := net.Pipe()
	near, far := net.Pipe()
	go func() {
		in := bufio.NewScanner(consoleFar)
		in.Buffer(nil, 1<<20)
		for in.Scan() {
			if _, err := fmt.Fprintln(consoleFar, u.reply(in.Text())); err != nil {
				return
			}
		}
	}()
	b = newUnit(&console{port: consoleNear})
	done := make(chan error, 1)
	// A station that is a pipe must not wait for the bridge to read.
	go func() { done <- b.serve(&patient{Conn: far, in: make(chan []byte, 256)}) }()
	return near, b, func() {
		b.goDark()
		near.Close()
		far.Close()
		<-done
		consoleNear.Close()
		consoleFar.Close()
	}
}

// patient reads ahead, as a kernel's socket does.
type patient struct {
	net.Conn
	in   chan []byte
	rest []byte
	on   bool
}

func (p *patient) Read(b []byte) (int, error) {
	if !p.on {
		p.on = true
		go func() {
			defer close(p.in)
			for {
				var buf [2048]byte
				n, err := p.Conn.Read(buf[:])
				if err != nil {
					return
				}
				p.in <- bytes.Clone(buf[:n])
			}
		}()
	}
	if len(p.rest) == 0 {
		var ok bool
		if p.rest, ok = <-p.in; !ok {
			return 0, net.ErrClosed
		}
	}
	n := copy(b, p.rest)
	p.rest = p.rest[n:]
	return n, nil
}

func TestStationThroughTheBridge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := &consoleUnit{block: "-"}
		line, _, end := start(t, u)
		defer end()
		c := protocol.NewClient(line, protocol.Options{})
		ctx := t.Context()
		id, err := c.Identify(ctx)
		if err != nil || id.Serial != "TX-0001" || id.Zones() != 2 {
			t.Fatalf("%+v, %v", id, err)
		}
		got, err := c.Capture(ctx, protocol.CaptureRequest{Kind: protocol.Histograms, Shots: 300_000, Frames: 1}, nil)
		if err != nil {
			t.Fatal(err)
		}
		if got.Counts[0] != 300 || got.Counts[11] != 2*6*300 || got.Totals[0] != 21*300 {
			t.Errorf("counts %v, totals %v", got.Counts, got.Totals)
		}
		block := &protocol.Block{Serial: "TX-0001", Rows: 1, Cols: 2, Leakage: []int32{1, 2}, Offsets: []int32{9}, State: protocol.Written}
		data, err := block.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Stage(ctx, data); err != nil {
			t.Fatal(err)
		}
		if err := c.Commit(ctx, data); err != nil {
			t.Fatal(err)
		}
		if u.block != hex.EncodeToString(data) {
			t.Errorf("the console holds %s", u.block)
		}
		// Silence: the bridge's watchdog switches the emitter off by itself.
		if _, err := c.StartCapture(ctx, protocol.CaptureRequest{ID: 77, Kind: protocol.Totals, Shots: 1e9, Frames: 1}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(999 * time.Millisecond)
		if _, on := u.fired(); !on {
			t.Error("dark before a second was over")
		}
		time.Sleep(2 * time.Millisecond)
		if _, on := u.fired(); on {
			t.Error("light after a second without a request")
		}
	})
}

// TestConforms: what is behind the bridge is a unit like any other.
func TestConforms(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		line, _, end := start(t, &consoleUnit{block: "-"})
		defer end()
		report, err := conform.Run(t.Context(), conform.Options{Port: line, Seed: 1})
		if err != nil {
			t.Fatal(err)
		}
		if !report.OK() || report.Passed < 70 {
			report.WriteText(os.Stdout)
			t.Errorf("%d clauses failed, %d passed", report.Failed, report.Passed)
		}
	})
}

// TestConsoleThatFails: the station is told of a fault, and the bridge lives.
func TestConsoleThatFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		consoleNear, consoleFar := net.Pipe()
		defer consoleFar.Close()
		go func() {
			in := bufio.NewScanner(consoleFar)
			for in.Scan() {
				fmt.Fprintln(consoleFar, "kernel panic?!")
			}
		}()
		b := newUnit(&console{port: consoleNear})
		packet, err := b.answer(protocol.Request{ID: 1, Session: 5, Body: &protocol.WhoAreYou{}})
		if err != nil {
			t.Fatal(err)
		}
		payload, err := protocol.NewScanner(bytes.NewReader(packet), 1024).Next()
		if err != nil {
			t.Fatal(err)
		}
		if a, err := protocol.DecodeAnswer(payload); err != nil || a.Code != protocol.CodeFault {
			t.Errorf("%+v, %v", a, err)
		}
		consoleNear.Close()
	})
}

func TestLoopbackOnly(t *testing.T) {
	for _, address := range []string{"0.0.0.0:7054", "192.0.2.1:7054", "7054", ""} {
		var said bytes.Buffer
		if code := run([]string{"-listen", address, t.TempDir() + "/none"}, &said); code != 1 || !strings.Contains(said.String(), "loopback") {
			t.Errorf("%q: exit code %d, %s", address, code, said.String())
		}
	}
	var said bytes.Buffer
	if code := run(nil, &said); code != 2 {
		t.Errorf("without a port: exit code %d", code)
	}
}
