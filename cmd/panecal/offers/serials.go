package offers

import (
	"errors"
	"slices"
	"strings"
	"time"

	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// What is looked through while a shell waits.
const (
	patience = 2 * time.Second
	newest   = 500 // records
	most     = 40  // serials that are offered
)

// serials offers serials of the log, the newest units first: people ask about
// units that they have at hand. A serial that is typed whole, with or without its
// check character, is found in the index however old it is; a beginning that no
// new unit has is looked for in the columns.
func (s Source) serials(typed string) []string {
	if s.Log == nil {
		return nil
	}
	found := make(chan []string, 1)
	go func() {
		var list []string
		defer func() {
			_ = recover() // a shell that gets nothing is told enough
			found <- list
		}()
		list, _ = s.look(typed)
	}()
	select {
	case list := <-found:
		return list
	case <-time.After(patience): // the process ends, and what it reads with it
		return nil
	}
}

// look reads the log.
func (s Source) look(typed string) (list []string, err error) {
	log, err := s.Log()
	if err != nil {
		return nil, err
	}
	defer log.Close()
	var recent []string
	err = log.Newest(newest, nil, func(e record.Entry) error {
		if serial := e.Body.Subject().Serial; serial != "" {
			recent = append(recent, serial)
		}
		return nil
	})
	slices.Reverse(recent)
	for _, serial := range beginning(recent, typed) {
		if len(list) < most && !slices.Contains(list, serial) {
			list = append(list, serial)
		}
	}
	for _, serial := range desk.Serials(strings.TrimSpace(typed)) {
		at, failed := log.Positions(store.Serial, serial)
		err = errors.Join(err, failed)
		if len(at) > 0 && !slices.Contains(list, serial) {
			list = append(list, beginning([]string{serial}, typed)...)
		}
	}
	if len(list) > 0 || typed == "" {
		return list, err
	}
	var texts []string
	enough := errors.New("enough")
	failed := log.Blocks(store.Filter{}, func(b *store.Block) (err error) {
		if texts, err = b.Texts("serial", texts); err != nil {
			return err
		}
		for _, serial := range beginning(texts, typed) {
			if !slices.Contains(list, serial) {
				list = append(list, serial)
			}
			if len(list) == most {
				return enough
			}
		}
		return nil
	})
	if errors.Is(failed, enough) {
		failed = nil
	}
	return list, errors.Join(err, failed)
}
