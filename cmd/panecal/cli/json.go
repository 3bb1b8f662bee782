package cli

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"

	"example.org/panecal/limits/visible"
)

// PrintJSON writes one indented object, the form of every --json answer.
func PrintJSON(w io.Writer, v any) error { return encode(w, v, " ") }

// PrintLine writes one object on one line, for streams of them.
func PrintLine(w io.Writer, v any) error { return encode(w, v, "") }

func encode(w io.Writer, v any, indent string) error {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetIndent("", indent)
	e.SetEscapeHTML(false)
	err := e.Encode(v)
	if err == nil {
		_, err = w.Write(visible.JSON(b.Bytes()))
	}
	if err != nil {
		return fmt.Errorf("writing the answer: %w", err)
	}
	return nil
}
