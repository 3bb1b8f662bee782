package link

import (
	"io"
	"time"
)

// Device is what a fake port must do.
type Device interface {
	io.ReadWriteCloser
	Unblock()
}

type fakeDevice struct{ Device }

func (f fakeDevice) unblock() { f.Unblock() }

// NewSerial returns a link on a fake port.
func NewSerial(dev Device, watchdog time.Duration, closeText string) *Link {
	return &Link{line: newSerialLine(fakeDevice{dev}, watchdog, nil), opt: Options{CloseText: closeText}}
}

// NewGuarded returns a link on a fake port that tells of panics.
func NewGuarded(dev Device, panicked func(any, []byte)) *Link {
	return &Link{line: newSerialLine(fakeDevice{dev}, time.Second, panicked)}
}

// OpenPort opens a serial link whose writes are given up earlier than in
// real life.
func OpenPort(path string, watchdog time.Duration) (*Link, error) {
	opened, err := openSerial(path, Options{Baud: 921_600})
	if err != nil {
		return nil, err
	}
	s := opened.(*serialLine)
	s.watchdog = watchdog // nobody writes yet
	return &Link{line: s}, nil
}

// Opened remembers a port as it is now, and CheckAt compares it with what is
// remembered.
func (p *Ports) Opened(address, sys string) error {
	o, err := originOf(address, sys, "/proc")
	p.opened(address, o)
	return err
}

// CheckAt compares a port with what is remembered of it.
func (p *Ports) CheckAt(address, sys string, at time.Time) error {
	o, err := originOf(address, sys, "/proc")
	if err != nil {
		return err
	}
	return p.check(address, o, at)
}
