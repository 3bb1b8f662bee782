package cli

import (
	"encoding/json"
	"fmt"
	"io"
)

// PrintJSON writes one indented object, the form of every --json answer.
func PrintJSON(w io.Writer, v any) error { return encode(w, v, " ") }

// PrintLine writes one object on one line, for streams of them.
func PrintLine(w io.Writer, v any) error { return encode(w, v, "") }

func encode(w io.Writer, v any, indent string) error {
	e := json.NewEncoder(w)
	e.SetIndent("", indent)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return fmt.Errorf("writing the answer: %w", err)
	}
	return nil
}
