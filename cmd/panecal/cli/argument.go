package cli

import (
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"
)

// ReadArgument reads the small file that an argument names; - is standard input.
func ReadArgument(c *cobra.Command, name string) ([]byte, error) {
	if name != "-" {
		return os.ReadFile(name)
	}
	const most = 1 << 20
	data, err := io.ReadAll(io.LimitReader(c.InOrStdin(), most+1))
	if err == nil && len(data) > most {
		err = fmt.Errorf("standard input is longer than %d bytes", most)
	}
	return data, err
}

// Quoted returns a word as a POSIX shell wants it.
func Quoted(word string) string {
	if word != "" && strings.Trim(word, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_./:-") == "" {
		return word
	}
	return "'" + strings.ReplaceAll(word, "'", `'\''`) + "'"
}
