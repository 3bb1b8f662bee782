package main

import (
	"context"
	"errors"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/link"
	"example.org/panecal/protocol/recording"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
)

// dialer opens the lines of nests: serial ports, or loopback TCP to a bridge.
type dialer struct {
	grace time.Duration       // see protocol.Options
	line  func() product.Line // of the product in force
	// panicked is told of a panic in what owns a port.
	panicked func(what any, stack []byte)
	ports    *link.Ports // what is known of them since the start
	// records keep what goes over the lines; nil keeps nothing.
	records *recording.Files
}

func (d dialer) Dial(ctx context.Context, n product.Nest) (station.Line, error) {
	p := d.line()
	l, err := link.Open(ctx, n.Port, link.Options{Baud: p.Baud, OpenText: p.OpenText, CloseText: p.CloseText, Panicked: d.panicked, Ports: d.ports})
	if err != nil {
		return nil, err
	}
	kept, err := recording.To(d.records.Next(n.Name), l)
	if err != nil {
		l.Close()
		return nil, err
	}
	return &line{protocol.NewClient(kept.Over(l), protocol.Options{Baud: p.Baud, Grace: d.grace}), l, kept, p.OpenText}, nil
}

// line is a client with the port that it speaks on.
type line struct {
	*protocol.Client
	link     *link.Link
	kept     *recording.File // nil without a recording
	openText string
}

// Identify opens protocol mode first: a unit that has just been seated is at
// its console.
func (l *line) Identify(ctx context.Context) (protocol.Identity, error) {
	if err := l.link.Resume(); err != nil {
		return protocol.Identity{}, err
	}
	if l.kept != nil {
		l.kept.Sent([]byte(l.openText))
	}
	return l.Client.Identify(ctx)
}

func (l *line) Close() error { return errors.Join(l.link.Close(), l.kept.Close()) }
