package simunit_test

import (
	"context"
	"fmt"
	"net"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
)

// A unit on a pipe, asked who it is and for a short capture of a target.
func Example() {
	u, err := simunit.New(simunit.Hopper1(), 7, simunit.Options{Serial: "H1-00001-K", Speed: 1000})
	if err != nil {
		fmt.Println(err)
		return
	}
	u.SetScene(simunit.Scene{TargetMM: 300, Reflectance: 0.5})
	near, far := net.Pipe()
	defer near.Close()
	go u.Serve(context.Background(), far)

	c := protocol.NewClient(near, protocol.Options{})
	id, err := c.Identify(context.Background())
	if err != nil {
		fmt.Println(err)
		return
	}
	got, err := c.Capture(context.Background(), protocol.CaptureRequest{Kind: protocol.Ranges, Shots: 1_000_000, Frames: 1}, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(id.Product, id.Serial)
	fmt.Printf("reports %.0f mm to a target at %.0f mm\n", float64(got.Ranges[0].Range)/1000, u.Truth().RadialMM[0])
	// Output:
	// hopper-1 H1-00001-K
	// reports 320 mm to a target at 302 mm
}
