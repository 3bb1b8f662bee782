package store

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/bits"
	"slices"

	"example.org/panecal/store/record"
)

// A file of an index stands for a stretch of the journal, and is written once.
// Its first page is eight bytes of magic and a frame with an indexHead. Pages of
// three kinds follow, then the long lists:
//
//	records   what is held of each record, in log order
//	times     the numbers of the records in the order of time
//	buckets   keys, each with the records filed under it: three of them or fewer,
//	          or where the list of them stands
//	lists     records as differences, each list with a check in its bucket
//
// Keys are hashes, so each bucket takes an equal share of all that there can be:
// one page says whether a key is there, and that it is not. The check of a page
// is over which index, which kind and which page it is, so that no other can
// stand in its place, and an answer "these and no others" is proven.
type indexHead struct {
	Layout int `json:"layout"`
	Schema int `json:"schema"` // that the program which made it could read
	stretch
	Keys    int   `json:"keys"`
	Buckets int   `json:"buckets"`
	Lists   int64 `json:"lists"` // byte
}

const (
	indexLayout = 1
	indexMagic  = "PANECALI"

	pageSize   = 4096
	pageHead   = 8 // check, number of items, 0
	recordSize = 60
	timeSize   = 4
	keySize    = len(key{}) + 16
	fewest     = 3 // records that stand beside their key
)

// pageKind is one of the three kinds of page.
type pageKind byte

const (
	recordPages pageKind = 'r'
	timePages   pageKind = 't'
	keyPages    pageKind = 'k'
)

func (k pageKind) itemSize() int {
	switch k {
	case recordPages:
		return recordSize
	case timePages:
		return timeSize
	}
	return keySize
}

// perPage is how many items a page has at most.
func (k pageKind) perPage() int { return (pageSize - pageHead) / k.itemSize() }

var little = binary.LittleEndian

// indexName is the file of an index for these segments.
func indexName(from, to uint32) string {
	if from == to {
		return fmt.Sprintf("%s-%08d.index", journalKind, from)
	}
	return fmt.Sprintf("%s-%08d-%08d.index", journalKind, from, to)
}

// indexFile is a file of an index, open for reading.
type indexFile struct {
	indexHead
	r      io.ReaderAt
	closer io.Closer
	name   string
	folder string // "" for one in memory
	seed   uint32
	pages  map[pageKind]*page // the last one read of each kind
}

type page struct {
	number int
	items  int
	b      []byte // of the items
}

// errOutdated says that a derived file is of another version of the program:
// it is made anew, and no damage.
var errOutdated = errors.New("made by another version of the program")

// openIndex reads the head of an index of size bytes. r stays the caller's.
func openIndex(r io.ReaderAt, size int64, name string) (*indexFile, error) {
	x := &indexFile{r: r, name: name, pages: map[pageKind]*page{}}
	b := make([]byte, pageSize)
	if size < int64(len(b)) {
		return nil, x.damaged("the file is too short")
	}
	if _, err := r.ReadAt(b, 0); err != nil {
		return nil, short(err)
	}
	if string(b[:len(indexMagic)]) != indexMagic {
		return nil, x.damaged("not an index")
	}
	content, after, err := readFrame(bytesAt(b), int64(len(indexMagic)), pageSize)
	if err != nil {
		return nil, x.damaged(err.Error())
	}
	if slices.ContainsFunc(b[after:], func(c byte) bool { return c != 0 }) {
		return nil, x.damaged("its first page is not what was written")
	}
	if err := json.Unmarshal(content, &x.indexHead); err != nil {
		return nil, x.damaged(err.Error())
	}
	h := &x.indexHead
	// What was unknown to the program that made it may be filed under more.
	if h.Layout != indexLayout || h.Newest > h.Schema && h.Schema < record.Version {
		return nil, errOutdated
	}
	if h.Sequence < h.Before || h.Sequence-h.Before > 1<<31 || h.Buckets < 1 || h.Lists < 0 || h.From < 1 || h.To < h.From || size != x.listsAt()+h.Lists {
		return nil, x.damaged("its head does not fit the file")
	}
	x.seed = h.seed()
	return x, nil
}

// bytesAt is bytes to be read as a file.
type bytesAt []byte

func (b bytesAt) ReadAt(p []byte, at int64) (int, error) {
	if at < 0 || at >= int64(len(b)) {
		return 0, io.EOF
	}
	n := copy(p, b[at:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// seed is what tells the pages of one index from those of another.
func (s *stretch) seed() uint32 {
	b := append(slices.Clone(s.Store[:]), s.Hash[:]...)
	b = little.AppendUint32(little.AppendUint32(b, s.From), s.To)
	return crc(little.AppendUint64(little.AppendUint64(b, uint64(s.End)), s.Before))
}

func (h *indexHead) count(k pageKind) int {
	if k == keyPages {
		return h.Buckets
	}
	return (h.records() + k.perPage() - 1) / k.perPage()
}

// start returns where the pages of a kind begin.
func (h *indexHead) start(k pageKind) int64 {
	before := 1
	if k != recordPages {
		before += h.count(recordPages)
	}
	if k == keyPages {
		before += h.count(timePages)
	}
	return int64(before) * pageSize
}

func (h *indexHead) listsAt() int64 { return h.start(keyPages) + int64(h.Buckets)*pageSize }

// bucket returns in which page a key stands.
func (h *indexHead) bucket(k key) int {
	n, _ := bits.Mul64(binary.BigEndian.Uint64(k[:]), uint64(h.Buckets))
	return int(n)
}

// pageCheck is the check of a page.
func pageCheck(seed uint32, k pageKind, number int, b []byte) uint32 {
	head := little.AppendUint32(little.AppendUint32([]byte{byte(k)}, seed), uint32(number))
	return crc(head, b[4:])
}

func (x *indexFile) damaged(what string) error {
	return &DamageError{File: x.name, Offset: -1, What: what}
}

// page returns one page, proven.
func (x *indexFile) page(k pageKind, number int) (*page, error) {
	p := x.pages[k]
	if p != nil && p.number == number {
		return p, nil
	}
	if p == nil {
		p = &page{b: make([]byte, pageSize)}
		x.pages[k] = p
	}
	p.number = -1
	b := p.b[:pageSize]
	if _, err := x.r.ReadAt(b, x.start(k)+int64(number)*pageSize); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	items := int(little.Uint16(b[4:]))
	if little.Uint32(b) != pageCheck(x.seed, k, number, b) || items > k.perPage() {
		return nil, x.damaged(fmt.Sprintf("page %c %d is not what was written", k, number))
	}
	p.number, p.items = number, items
	return p, nil
}

func (p *page) item(k pageKind, i int) []byte {
	at := pageHead + i*k.itemSize()
	return p.b[at : at+k.itemSize()]
}

// numbered returns the item i of all pages of a kind.
func (x *indexFile) numbered(k pageKind, i int) ([]byte, error) {
	p, err := x.page(k, i/k.perPage())
	if err != nil {
		return nil, err
	}
	if i%k.perPage() >= p.items {
		return nil, x.damaged("a page with too few items")
	}
	return p.item(k, i%k.perPage()), nil
}

func (x *indexFile) entry(n int) (entry, error) {
	b, err := x.numbered(recordPages, n)
	if err != nil {
		return entry{}, err
	}
	var e entry
	b = b[copy(e.hash[:], b):]
	e.time = int64(little.Uint64(b))
	e.at = location{little.Uint32(b[8:]), int64(little.Uint32(b[12:])), int64(little.Uint32(b[16:]))}
	e.generation, e.kind = little.Uint32(b[20:]), record.Kind(little.Uint16(b[24:]))
	return e, nil
}

func (e *entry) append(b []byte) []byte {
	b = little.AppendUint64(append(b, e.hash[:]...), uint64(e.time))
	b = little.AppendUint32(little.AppendUint32(little.AppendUint32(b, e.at.segment), uint32(e.at.offset)), uint32(e.at.length))
	return little.AppendUint16(little.AppendUint16(little.AppendUint32(b, e.generation), uint16(e.kind)), 0)
}

func (x *indexFile) early(i int) (int, error) {
	b, err := x.numbered(timePages, i)
	if err != nil {
		return 0, err
	}
	n := int(little.Uint32(b))
	if n >= x.records() {
		return 0, x.damaged("a time of no record")
	}
	return n, nil
}

func (x *indexFile) find(k key) ([]uint32, error) {
	p, err := x.page(keyPages, x.bucket(k))
	if err != nil {
		return nil, err
	}
	for i := range p.items {
		if b := p.item(keyPages, i); key(b[:len(k)]) == k {
			return x.list(b[len(k):])
		}
	}
	return nil, nil
}

// list returns the records that stand beside a key.
func (x *indexFile) list(b []byte) ([]uint32, error) {
	n := int(little.Uint32(b))
	b = b[4:]
	if n <= fewest {
		list := make([]uint32, n)
		for i := range list {
			list[i] = little.Uint32(b[4*i:])
		}
		return list, x.inside(list)
	}
	at, length, check := int64(little.Uint32(b)), int64(little.Uint32(b[4:])), little.Uint32(b[8:])
	if at+length > x.Lists || n > x.records() {
		return nil, x.damaged("a list outside the file")
	}
	raw := make([]byte, length)
	if _, err := x.r.ReadAt(raw, x.listsAt()+at); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	if crc(raw) != check {
		return nil, x.damaged("a list is not what was written")
	}
	list := make([]uint32, n)
	before := uint64(0)
	for i := range list {
		d, size := binary.Uvarint(raw)
		if size <= 0 {
			return nil, x.damaged("a list ends early")
		}
		before, raw = before+d, raw[size:]
		list[i] = uint32(min(before, 1<<32-1))
	}
	return list, x.inside(list)
}

func (x *indexFile) inside(list []uint32) error {
	for i, n := range list {
		if int(n) >= x.records() || i > 0 && n <= list[i-1] {
			return x.damaged("a list of other records")
		}
	}
	return nil
}

func (x *indexFile) keys() func() (key, []uint32, error) {
	number, i := 0, 0
	return func() (key, []uint32, error) {
		for ; number < x.Buckets; number, i = number+1, 0 {
			p, err := x.page(keyPages, number)
			if err != nil {
				return key{}, nil, err
			}
			if i < p.items {
				b := p.item(keyPages, i)
				i++
				k := key(b[:len(key{})])
				list, err := x.list(b[len(k):])
				if err == nil && len(list) == 0 {
					err = x.damaged("a key without records")
				}
				return k, list, err
			}
		}
		return key{}, nil, nil
	}
}

func (x *indexFile) distinct() int { return x.Keys }

func (x *indexFile) close() error {
	if x.closer == nil {
		return nil
	}
	return x.closer.Close()
}
