package main

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"testing"
	"time"

	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/protocol"
	"example.org/panecal/protocol/link"
)

// TestSimStill: a unit without hands stays seated before a target; with hands
// the field is empty at first.
func TestSimStill(t *testing.T) {
	still, served := light(t, "--still", "--seed", "9"), light(t, "--seed", "9")
	if still < 2*served {
		t.Errorf("%d counts before a target, %d with an empty field", still, served)
	}
}

// light starts simulated units and returns what the first counts in a short
// capture.
func light(t *testing.T, args ...string) (counts uint64) {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	out, in := io.Pipe()
	c := newSim()
	c.SetArgs(args)
	c.SetOut(in)
	c.SilenceErrors, c.SilenceUsage = true, true
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		_ = in.CloseWithError(c.ExecuteContext(ctx)) // ends with the context's own error
	}()
	line, err := bufio.NewReader(out).ReadBytes('\n')
	if err != nil {
		t.Fatal(err)
	}
	var unit simulated
	if err := json.Unmarshal(line, &unit); err != nil {
		t.Fatal(err)
	}
	port, err := link.Open(ctx, unit.Port, link.Options{Baud: plant.Baud})
	if err != nil {
		t.Fatal(err)
	}
	client := protocol.NewClient(port, protocol.Options{Baud: plant.Baud, Grace: 5 * time.Second})
	if _, err := client.Identify(ctx); err != nil {
		t.Fatal(err)
	}
	got, err := client.Capture(ctx, protocol.CaptureRequest{ID: 1, Kind: protocol.Totals, Shots: 100_000, Frames: 1}, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range got.Counts {
		counts += uint64(n)
	}
	if err := port.Close(); err != nil {
		t.Error(err)
	}
	stop()
	<-ended
	return counts
}
