package store

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
)

// seal returns v as one line of JSON and a line with its CRC-32C.
func seal(v any) ([]byte, error) {
	b, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	b = append(b, '\n')
	return fmt.Appendf(b, "%08x\n", crc(b)), nil
}

// unseal reads what seal wrote into v and takes nothing else.
func unseal(b []byte, v any) error {
	if err := json.Unmarshal(firstLine(b), v); err != nil {
		return err
	}
	again, err := seal(v)
	if err != nil {
		return err
	}
	if !bytes.Equal(again, b) {
		return errors.New("the check fails")
	}
	return nil
}

func firstLine(b []byte) []byte {
	line, _, _ := bytes.Cut(b, []byte("\n"))
	return line
}
