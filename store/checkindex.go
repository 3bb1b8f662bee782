package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"

	"example.org/panecal/store/record"
)

// checkedIndex is a file of the index that is compared with the records.
type checkedIndex struct {
	name  string
	head  indexHead
	fault error // that it has by itself
	total int   // records filed under keys, as it has them
	filed int   // and as the journal makes them
	ended bool  // what is wrong was told, or a segment of it cannot be read
}

func (x *checkedIndex) covers(number uint32) bool {
	return x.fault == nil && number >= x.head.From && number <= x.head.To
}

var indexPattern = regexp.MustCompile(`^journal-\d{8}(-\d{8})?\.index$`)

// openIndex proves the pages of every file of the index whose digest is not
// known, and keeps in mind what it stands for.
func (c *checker) openIndex(names []string) error {
	names = slices.DeleteFunc(slices.Clone(names), func(n string) bool { return !indexPattern.MatchString(n) })
	return inOrder(len(names), func(i int) (*checkedIndex, error) {
		x := &checkedIndex{name: names[i]}
		if c.proven(x.name) {
			return nil, nil
		}
		f, err := c.indexFile(x.name)
		if err == nil {
			x.head = f.indexHead
			x.total, err = f.prove()
			err = errors.Join(err, f.close())
		}
		if errors.Is(err, os.ErrNotExist) { // merged meanwhile
			return nil, nil
		}
		if x.fault = err; err != nil && !errors.Is(err, errOutdated) && !errors.Is(err, ErrDamaged) {
			return nil, err
		}
		return x, nil
	}, func(x *checkedIndex) error {
		switch {
		case x == nil:
		case errors.Is(x.fault, errOutdated):
			c.outdated++
		case x.fault != nil:
			return c.take(x.fault)
		default:
			c.index = append(c.index, x)
		}
		return nil
	})
}

// indexFile opens a file of the index.
func (c *checker) indexFile(name string) (*indexFile, error) {
	f, err := c.disk.Open(filepath.Join(c.dir, name))
	if err != nil {
		return nil, err
	}
	size, err := f.Size()
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	x, err := openIndex(f, size, name)
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	x.closer = f
	if name != indexName(x.From, x.To) {
		return nil, errors.Join(x.damaged("it stands for other segments"), f.Close())
	}
	return x, nil
}

// prove proves every page and every list, and that the orders of time and of
// keys are one. It returns how many records are filed under all keys.
func (x *indexFile) prove() (total int, err error) {
	seen := make([]uint64, x.records()/64+1)
	before := int64(0)
	for i := range x.records() {
		n, err := x.early(i)
		if err != nil {
			return 0, err
		}
		e, err := x.entry(n)
		if err != nil {
			return 0, err
		}
		if e.time < before || seen[n/64]&(1<<(n%64)) != 0 {
			return 0, x.damaged("its order of time is none")
		}
		before = e.time
		seen[n/64] |= 1 << (n % 64)
	}
	next, count := x.keys(), 0
	var last key
	for {
		k, list, err := next()
		if err != nil {
			return 0, err
		}
		if len(list) == 0 {
			break
		}
		if count++; count > 1 && k.compare(last) <= 0 || x.bucket(k) != x.pages[keyPages].number {
			return 0, x.damaged("its keys are out of order")
		}
		last = k
		total += len(list)
	}
	if count != x.Keys {
		return 0, x.damaged(fmt.Sprintf("it has %d keys and says %d", count, x.Keys))
	}
	return total, nil
}

// compareIndex holds what the files of the index say of a segment against its
// records; whole says that all of them could be read.
func (s *segmentCheck) compareIndex(whole bool) error {
	r := s.recent
	s.recent = nil // the result waits for its turn
	if r == nil {
		return nil
	}
	s.filed, s.wrong = map[*checkedIndex]int{}, map[*checkedIndex]string{}
	for _, x := range s.checker.index {
		switch {
		case !x.covers(s.number):
		case !whole:
			s.filed[x] = -1
		default:
			f, err := s.checker.indexFile(x.name)
			if errors.Is(err, os.ErrNotExist) {
				s.filed[x] = -1
				continue
			}
			if err != nil {
				return s.take(err)
			}
			n, what, err := f.compare(r, s.number)
			s.filed[x], s.wrong[x] = n, what
			if err := s.take(errors.Join(err, f.close())); err != nil {
				return err
			}
		}
	}
	return nil
}

// takeIndex adds up what was compared, segment after segment.
func (c *chainCheck) takeIndex(s *segmentCheck) {
	for _, x := range c.index {
		n, compared := s.filed[x]
		if !compared || x.ended {
			continue
		}
		what := s.wrong[x]
		x.filed += n
		if x.ended = what != "" || n < 0; !x.ended && s.number == x.head.To && x.filed != x.total {
			what = fmt.Sprintf("it has %d entries where the journal makes %d", x.total, x.filed)
		}
		if what != "" {
			c.problem(x.name, -1, what)
		}
	}
}

// compare says in what the file differs from the records of a segment, and how
// many of them are filed under all keys.
func (x *indexFile) compare(r *recent, number uint32) (filed int, what string, err error) {
	if x.Store != r.Store || x.Station != r.Station {
		return 0, "it belongs to another store", nil
	}
	if number == x.From && (x.Before != r.Before || x.BeforeHash != r.BeforeHash) {
		return 0, fmt.Sprintf("it begins after record %d, the segment after %d", x.Before, r.Before), nil
	}
	count := r.records()
	if number == x.To && (x.Sequence > r.Sequence || x.Sequence < r.Before) || number < x.To && x.Sequence < r.Sequence || x.Before > r.Before {
		return 0, fmt.Sprintf("it ends at record %d, the segment at %d", x.Sequence, r.Sequence), nil
	}
	if number == x.To {
		count = int(x.Sequence - r.Before)
	}
	base := int(r.Before - x.Before)
	for n := range count {
		e, err := x.entry(base + n)
		if err != nil {
			return 0, "", err
		}
		if e != r.entries[n] {
			return 0, fmt.Sprintf("record %d is not as the journal has it", r.Before+uint64(n)+1), nil
		}
	}
	for k, list := range r.filed {
		n, _ := slices.BinarySearch(list, uint32(count))
		list = list[:n]
		have, err := x.find(k)
		if err != nil {
			return 0, "", err
		}
		first, _ := slices.BinarySearch(have, uint32(base))
		end, _ := slices.BinarySearch(have, uint32(base+count))
		if !slices.EqualFunc(have[first:end], list, func(a, b uint32) bool { return a == uint32(base)+b }) {
			return 0, "a key leads to other records than the journal's", nil
		}
		filed += len(list)
	}
	if number == x.To && !x.endsAs(r, count) {
		return 0, "it does not end where its last record ends", nil
	}
	return filed, "", nil
}

// endsAs says whether the file ends where the first count records of its last
// segment do.
func (x *indexFile) endsAs(r *recent, count int) bool {
	if count == 0 {
		return x.Hash == r.BeforeHash && x.Last == 0
	}
	last := r.entries[count-1]
	return x.Hash == last.hash && x.End == last.at.offset+last.at.length && x.Last == last.at.offset && x.Generation == last.generation
}

// digestOf returns the SHA-256 of a file.
func digestOf(d disk, path string) (h record.Hash, err error) {
	f, err := d.Open(path)
	if err != nil {
		return h, err
	}
	defer f.Close()
	return digest(f)
}
