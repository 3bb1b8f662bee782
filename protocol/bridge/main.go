// Command bridge lets a unit that knows only a text console be driven as if it
// spoke the protocol. It is an example to copy and change: the console of your
// unit has other words.
//
//	bridge -listen 127.0.0.1:7054 -baud 115200 /dev/ttyS1
//
// The station sheet then names tcp:127.0.0.1:7054 as the nest's port, and the
// station's configuration names the bridge, which goes into every record: what
// is measured through a bridge was timed, summed and stored by it too.
//
// The console of this example is one question and one answer a line:
//
//	who            unit ID serial S product P firmware F rows R cols C bins B width N first N period N commit N
//	temp           temp 24125               thousandths of a degree Celsius
//	fire SHOTS     ok                       begins, forgets the counts before
//	fired          fired SHOTS on|off       so far
//	dark           ok                       emitter off
//	counts ZONE    counts N N N …           a number for each bin
//	load           block HEX                constants in force, "-" if none
//	store HEX      ok                       whole or not at all
//	reset          ok
//
// A word that it does not know, or a number that is wrong, gives "no".
//
// It listens on loopback only, to one station at a time, because nothing on
// this line says who is speaking. Caution: the watchdog of a bridge is a
// program on a computer. It switches the emitter off when the station falls
// silent, and cannot when the computer does: the unit itself needs one.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"os"
	"os/signal"

	"example.org/panecal/protocol/link"
)

func main() { os.Exit(run(os.Args[1:], os.Stderr)) }

func run(args []string, talk io.Writer) int {
	flags := flag.NewFlagSet("bridge", flag.ContinueOnError)
	flags.SetOutput(talk)
	listen := flags.String("listen", "127.0.0.1:7054", "loopback address that the station connects to")
	baud := flags.Int("baud", 115200, "speed of the console's line")
	if err := flags.Parse(args); err != nil || flags.NArg() != 1 {
		fmt.Fprintln(talk, "bridge: give the port of the unit's console")
		return 2
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := serve(ctx, *listen, flags.Arg(0), *baud, talk); err != nil && ctx.Err() == nil {
		fmt.Fprintf(talk, "bridge: %v\n", err)
		return 1
	}
	return 0
}

func serve(ctx context.Context, listen, port string, baud int, talk io.Writer) error {
	host, _, err := net.SplitHostPort(listen)
	if ip := net.ParseIP(host); err != nil || ip == nil || !ip.IsLoopback() {
		return fmt.Errorf("%s is no loopback address with a port", listen)
	}
	l, err := link.Open(ctx, port, link.Options{Baud: baud})
	if err != nil {
		return err
	}
	defer l.Close()
	in, err := net.Listen("tcp", listen)
	if err != nil {
		return fmt.Errorf("listening: %w", err)
	}
	defer context.AfterFunc(ctx, func() { in.Close() })()
	u := newUnit(&console{port: l})
	defer u.goDark()
	for {
		station, err := in.Accept()
		if err != nil {
			return fmt.Errorf("waiting for a station: %w", err)
		}
		end := context.AfterFunc(ctx, func() { station.Close() })
		err = u.serve(station)
		end()
		station.Close()
		u.goDark() // a station that is gone wants no light
		if !errors.Is(err, io.EOF) {
			fmt.Fprintf(talk, "bridge: %v\n", err)
		}
	}
}
