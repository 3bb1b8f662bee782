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

// unseal reads what seal wrote into v, and what a program of another version
// wrote: keys that v does not have are left out.
func unseal(b []byte, v any) error {
	line, sum, found := bytes.Cut(b, []byte("\n"))
	if !found || string(sum) != fmt.Sprintf("%08x\n", crc(b[:len(line)+1])) {
		return errors.New("the check fails")
	}
	return json.Unmarshal(line, v)
}
