package main

import (
	"context"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/link"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
)

// dialer opens the lines of nests: serial ports, or loopback TCP to a bridge.
type dialer struct {
	grace time.Duration       // see protocol.Options
	line  func() product.Line // of the product in force
	// panicked is told of a panic in what owns a port.
	panicked func(what any, stack []byte)
}

func (d dialer) Dial(ctx context.Context, n product.Nest) (station.Line, error) {
	p := d.line()
	l, err := link.Open(ctx, n.Port, link.Options{Baud: p.Baud, OpenText: p.OpenText, CloseText: p.CloseText, Panicked: d.panicked})
	if err != nil {
		return nil, err
	}
	return &line{protocol.NewClient(l, protocol.Options{Baud: p.Baud, Grace: d.grace}), l}, nil
}

// line is a client with the port that it speaks on.
type line struct {
	*protocol.Client
	link *link.Link
}

// Identify opens protocol mode first: a unit that has just been seated is at
// its console.
func (l *line) Identify(ctx context.Context) (protocol.Identity, error) {
	if err := l.link.Resume(); err != nil {
		return protocol.Identity{}, err
	}
	return l.Client.Identify(ctx)
}

func (l *line) Close() error { return l.link.Close() }
