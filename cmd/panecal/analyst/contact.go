package analyst

import (
	"context"
	"fmt"
	"time"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/protocol"
	"example.org/panecal/protocol/link"
)

// Contact is what a unit at a port says of itself.
type Contact struct {
	Port, UnitID, Serial string
	State                string // of its block: written, released, void, or none
	Block                []byte // its constants, as it keeps them
}

// ReadUnit asks the unit at a port who it is and what it holds. Its serial is that
// which the block names, else the unit's own. A port that cannot be used is an error
// with the exit code of devices.
func ReadUnit(ctx context.Context, port string, baud int) (Contact, error) {
	fail := func(err error) (Contact, error) {
		return Contact{}, cli.DeviceError(fmt.Errorf("reading the unit at %s: %w", port, err))
	}
	l, err := link.Open(ctx, port, link.Options{Baud: baud})
	if err != nil {
		return fail(err)
	}
	defer l.Close()
	client := protocol.NewClient(l, protocol.Options{Baud: baud, Grace: time.Second})
	id, err := client.Identify(ctx)
	if err != nil {
		return fail(err)
	}
	c := Contact{Port: port, UnitID: id.UnitID, Serial: id.Serial, State: "none"}
	if c.Block, err = client.ReadConstants(ctx); err != nil {
		return fail(err)
	}
	if b, err := protocol.ParseBlock(c.Block); err == nil {
		c.State = b.State.String()
		if b.Serial != "" {
			c.Serial = b.Serial
		}
	}
	return c, nil
}
