package store_test

import (
	"fmt"
	"os"
	"path/filepath"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

func Example() {
	base, err := os.MkdirTemp("", "log")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(base)
	dir := filepath.Join(base, "station")
	if err := store.Create(dir, store.Options{Station: "pane-1"}); err != nil {
		fmt.Println(err)
		return
	}
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer s.Close()
	ref, err := s.Append(&record.Note{Serial: "H54-000123", By: "op-7", Text: "window wiped"})
	if err != nil {
		fmt.Println(err)
		return
	}
	list, err := s.BySerial("H54-000123")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(ref, len(list), list[0].Body.(*record.Note).Text)
	// Output: pane-1/1/1 1 window wiped
}
