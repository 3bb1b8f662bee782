//go:build linux

package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"testing"
	"time"

	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/protocol/simunit"
)

// nestProcess is a process with simulated nests on pseudo-terminals, so that
// what it takes is not counted for the station.
type nestProcess struct {
	ports []string
	in    io.WriteCloser
	out   *bufio.Scanner
}

// seating tells the process which unit to seat where, 0 for none: the one
// that is there is taken out. It answers with the label in that nest.
type seating struct{ Nest, Unit int }

const nestsVariable = "PANECAL_BENCHMARK_NESTS"

func startNests(b *testing.B, n int) *nestProcess {
	b.Helper()
	self, err := os.Executable()
	if err != nil {
		b.Fatal(err)
	}
	c := exec.Command(self, "-test.run=^TestNestProcess$")
	c.Env = append(os.Environ(), nestsVariable+"="+strconv.Itoa(n))
	c.Stderr = os.Stderr
	in, err := c.StdinPipe()
	if err != nil {
		b.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := c.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		in.Close()
		_, _ = io.Copy(io.Discard, out)
		if err := c.Wait(); err != nil {
			b.Errorf("the process with the nests: %v", err)
		}
	})
	p := &nestProcess{in: in, out: bufio.NewScanner(out)}
	if err := json.Unmarshal([]byte(p.line(b)), &p.ports); err != nil {
		b.Fatal(err)
	}
	return p
}

func (p *nestProcess) line(b *testing.B) string {
	b.Helper()
	if !p.out.Scan() {
		b.Fatalf("the process with the nests has gone: %v", p.out.Err())
	}
	return p.out.Text()
}

// seat puts the unit of that number into a nest and returns its label. Number
// 0 takes out what is there.
func (p *nestProcess) seat(b *testing.B, nest, unit int) string {
	b.Helper()
	if err := json.NewEncoder(p.in).Encode(seating{nest, unit}); err != nil {
		b.Fatal(err)
	}
	return p.line(b)
}

// TestNestProcess is that process.
func TestNestProcess(t *testing.T) {
	n, err := strconv.Atoi(os.Getenv(nestsVariable))
	if err != nil {
		t.Skip("for the benchmarks, which start it as a process of its own")
	}
	var connectors []*simunit.Connector
	var ports []string
	units := make([]*simunit.Unit, n)
	for range n {
		s, err := simunit.NewConnector()
		if err != nil {
			t.Fatal(err)
		}
		port, err := simunit.ServePTY(t.Context(), s)
		if err != nil {
			t.Fatal(err)
		}
		connectors, ports = append(connectors, s), append(ports, port)
	}
	answer := json.NewEncoder(os.Stdout)
	if err := answer.Encode(ports); err != nil {
		t.Fatal(err)
	}
	for in := json.NewDecoder(os.Stdin); ; {
		var s seating
		if err := in.Decode(&s); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			t.Fatal(err)
		}
		if s.Unit == 0 {
			units[s.Nest].TakeOut()
			fmt.Println(units[s.Nest].Serial())
			continue
		}
		u, err := plant.NewUnit("hopper-54", s.Unit, benchmarkSeed+uint64(s.Unit), simunit.Options{
			Out: true, Hands: simunit.UsualHands(100*time.Millisecond, plant.TargetMM, plant.Reflectance)[:1], // the target alone
			Line: simunit.Line{Baud: plant.Baud, Turnaround: 16 * time.Millisecond},
		})
		if err != nil {
			t.Fatal(err)
		}
		units[s.Nest] = u
		connectors[s.Nest].Attach(u)
		u.Seat(simunit.Seating{})
		fmt.Println(u.Serial())
	}
}
