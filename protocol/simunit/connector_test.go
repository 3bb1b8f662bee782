package simunit_test

import (
	"context"
	"net"
	"testing"
	"testing/synctest"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
)

// TestConnectorSwapsUnits: the line stays open while units come and go.
func TestConnectorSwapsUnits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		ours, theirs := net.Pipe()
		defer ours.Close()
		defer theirs.Close()
		connector, err := simunit.NewConnector()
		if err != nil {
			t.Fatal(err)
		}
		ended := make(chan error, 1)
		go func() { ended <- connector.Serve(ctx, theirs) }()
		client := protocol.NewClient(ours, protocol.Options{})
		if id, err := client.Identify(ctx); err == nil {
			t.Errorf("an empty connector answered as %v", id)
		}
		for i, serial := range []string{"first", "second"} {
			// Another seed makes another unit: one whose id is the same and
			// whose serial is not contradicts itself.
			u, err := simunit.New(simunit.Hopper54(), uint64(i+1), simunit.Options{Serial: serial})
			if err != nil {
				t.Fatal(err)
			}
			connector.Attach(u)
			synctest.Wait()
			id, err := client.Identify(ctx)
			if err != nil || id.Serial != serial {
				t.Errorf("after attaching %s: serial %q, %v", serial, id.Serial, err)
			}
		}
		cancel()
		<-ended
	})
}
