package shift

import (
	"cmp"
	"fmt"

	"example.org/panecal/store/record"
)

// Unknown is on record where nobody said who is at the station.
const Unknown = "unknown"

// SignOn puts on record who is at the station. Signing off says that every
// verdict so far has been seen. cautions are those that were confirmed.
func SignOn(to Station, person, method string, off bool, cautions []string) error {
	b := &record.SignOn{Person: cmp.Or(person, Unknown), Role: "operator", Off: off, Method: method, Acknowledged: cautions}
	if _, err := to.Append(b); err != nil {
		return fmt.Errorf("recording who is at the station: %w", err)
	}
	return nil
}
