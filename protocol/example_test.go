package protocol_test

import (
	"bytes"
	"fmt"

	"example.org/panecal/protocol"
)

// A unit reads a request from the line and answers it.
func Example() {
	line := protocol.AppendPacket([]byte("boot ok\r\n"), must(protocol.AppendRequest(nil,
		protocol.Request{ID: 1, Session: 7, Body: &protocol.AskStatus{}})))

	payload, err := protocol.NewScanner(bytes.NewReader(line), 512).Next()
	if err != nil {
		fmt.Println(err)
		return
	}
	request, err := protocol.DecodeRequest(payload)
	if err != nil {
		fmt.Println(err)
		return
	}
	answer := protocol.Answer{ID: request.ID, Session: 7, Op: request.Body.Op(),
		Body: &protocol.Status{TempMilliCel: 24_125}}
	fmt.Printf("%v: % X\n", request.Body.Op(), protocol.AppendPacket(nil, must(protocol.AppendAnswer(nil, answer))))
	// Output: status: 00 05 85 01 07 02 07 A4 01 19 5E 3D 02 02 03 02 04 05 DC 36 2A 2A 00
}

func must(payload []byte, err error) []byte {
	if err != nil {
		panic(err)
	}
	return payload
}
