package store

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"math/bits"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"example.org/panecal/store/proof"
)

// Files of a station beside its store.
const (
	// CheckpointFolder holds checkpoints beside a store: SEQUENCE.note each.
	CheckpointFolder = "checkpoints"
	secretName       = "station.key"
	// PublicName holds the public key under which they are checked.
	PublicName = "station.pub"

	noteEnd    = ".note"
	mostNotes  = 10_000
	longestOne = 1 << 16
)

// StationKey returns the key of the station whose store is in dir, and makes it
// where there is none: the secret, which stays with the station, and the public
// part, which may go everywhere. Both are files beside the store.
func StationKey(dir string) (secret, public string, err error) {
	beside := filepath.Dir(filepath.Clean(dir))
	fail := func(err error) (string, string, error) {
		return "", "", fmt.Errorf("the station's key: %w", err)
	}
	path := filepath.Join(beside, secretName)
	data, err := readAll(osDisk{}, path, longestOne)
	if err == nil {
		text, public, _ := strings.Cut(strings.TrimSpace(string(data)), "\n")
		return text, public, nil
	}
	if !errors.Is(err, os.ErrNotExist) {
		return fail(err)
	}
	origin, err := OriginOf(dir)
	if err != nil {
		return fail(err)
	}
	if secret, public, err = makeKey(beside, origin, rand.Reader); err != nil {
		return fail(err)
	}
	return secret, public, osDisk{}.SyncDir(beside)
}

// makeKey makes a key and its two files.
func makeKey(beside, origin string, random io.Reader) (secret, public string, err error) {
	if secret, public, err = proof.NewKey(origin, random); err != nil {
		return "", "", err
	}
	for _, f := range []struct {
		path, text string
		mode       os.FileMode
	}{{filepath.Join(beside, PublicName), public + "\n", fileMode}, {filepath.Join(beside, secretName), secret + "\n" + public + "\n", 0o600}} {
		tmp := f.path + ".tmp"
		if err := errors.Join(ignoreMissing(os.Remove(tmp)), writeNew(tmp, []byte(f.text), f.mode)); err != nil {
			return "", "", err
		}
		if err := os.Rename(tmp, f.path); err != nil {
			return "", "", err
		}
	}
	return secret, public, nil
}

// writeNew writes a file that must not exist, and syncs it.
func writeNew(path string, data []byte, mode os.FileMode) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	return errors.Join(err, f.Sync(), f.Close())
}

// Checkpoints writes checkpoints of a store into folders, while the station
// works and without ever keeping it waiting: each folder has a goroutine of its
// own, and one that fails or hangs holds up itself alone.
type Checkpoints struct {
	store  *Store
	secret string
	places []*checkpointPlace
	wake   chan struct{}
	over   chan struct{}
	all    sync.WaitGroup
}

type checkpointPlace struct {
	folder string
	next   chan signedNote // the newest that is not written yet
}

type signedNote struct {
	sequence uint64
	text     []byte
}

// KeepCheckpoints begins to write checkpoints of s into folders. say is told,
// from a goroutine of its own, of a folder that fails, once, and with a nil
// error when it works again; "" is the log itself. The caller closes it before
// the store.
func KeepCheckpoints(s *Store, secret string, folders []string, say func(folder string, err error)) *Checkpoints {
	k := &Checkpoints{store: s, secret: secret, wake: make(chan struct{}, 1), over: make(chan struct{})}
	for _, folder := range folders {
		p := &checkpointPlace{folder, make(chan signedNote, 1)}
		k.places = append(k.places, p)
		k.all.Go(func() { p.serve(say) })
	}
	k.all.Go(func() { k.serve(say) })
	return k
}

// Wake says that something was shown that the next checkpoint should cover.
func (k *Checkpoints) Wake() {
	select {
	case k.wake <- struct{}{}:
	default: // it is awake, and will see this too
	}
}

func (k *Checkpoints) serve(say func(string, error)) {
	defer func() {
		for _, p := range k.places {
			close(p.next)
		}
	}()
	failed := false
	write := func() {
		var n signedNote
		err := guarded(func() (err error) {
			n.sequence, n.text, err = k.store.Checkpoint(k.secret, time.Now())
			return err
		})
		if (err != nil) != failed && !errors.Is(err, ErrClosed) {
			failed = err != nil
			say("", err)
		}
		if err != nil || n.text == nil {
			return
		}
		for _, p := range k.places {
			select {
			case <-p.next: // one that was not written is covered by this one
			default:
			}
			p.next <- n
		}
	}
	for {
		select {
		case <-k.wake:
			write()
		case <-k.over:
			write()
			return
		}
	}
}

func (p *checkpointPlace) serve(say func(string, error)) {
	failed := false
	for n := range p.next {
		err := guarded(func() error { return writeCheckpoint(p.folder, n) })
		if (err != nil) != failed {
			failed = err != nil
			say(p.folder, err)
		}
	}
}

// closeCheckpoints is how long the last checkpoint may take.
const closeCheckpoints = 2 * time.Second

// Close writes a last checkpoint and ends; a folder that hangs is left behind.
func (k *Checkpoints) Close() error {
	close(k.over)
	done := make(chan struct{})
	go func() { k.all.Wait(); close(done) }()
	limit := time.NewTimer(closeCheckpoints)
	defer limit.Stop()
	select {
	case <-done:
		return nil
	case <-limit.C:
		return errors.New("a folder for checkpoints does not answer: the last checkpoint is not written there")
	}
}

// writeCheckpoint adds one file to a folder and takes away what is not needed
// any more, where it may: in the best folder the station may add and not change.
func writeCheckpoint(folder string, n signedNote) error {
	if err := os.MkdirAll(folder, dirMode); err != nil {
		return err
	}
	path := filepath.Join(folder, noteName(n.sequence))
	err := writeNew(path, n.text, fileMode)
	if errors.Is(err, os.ErrExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if err := (osDisk{}).SyncDir(folder); err != nil {
		return err
	}
	sequences, err := listCheckpoints(folder)
	if err != nil {
		return nil // it may write there and not read
	}
	for _, s := range thin(sequences) {
		if err := os.Remove(filepath.Join(folder, noteName(s))); err != nil {
			return nil
		}
	}
	return nil
}

func noteName(sequence uint64) string { return strconv.FormatUint(sequence, 10) + noteEnd }

// newestKept are the newest checkpoints, of which all are kept.
const newestKept = 32

// thin says which of the checkpoints may go: the further back, the fewer are
// kept, one in each stretch of the log whose length doubles with its distance.
// Sequences are ascending.
func thin(sequences []uint64) (away []uint64) {
	if len(sequences) <= newestKept {
		return nil
	}
	head := sequences[len(sequences)-1]
	kept := map[[2]uint64]bool{}
	for _, s := range sequences[:len(sequences)-newestKept] {
		k := uint64(bits.Len64((head - s) / newestKept))
		stretch := [2]uint64{k, s >> k}
		if kept[stretch] {
			away = append(away, s)
		}
		kept[stretch] = true
	}
	return away
}

// listCheckpoints returns the sequences of the checkpoints in a folder, a
// bounded number of them.
func listCheckpoints(folder string) ([]uint64, error) {
	f, err := os.Open(folder)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	names, err := f.Readdirnames(mostNotes)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	var list []uint64
	for _, n := range names {
		if digits, ok := strings.CutSuffix(n, noteEnd); ok {
			if v, err := strconv.ParseUint(digits, 10, 63); err == nil && strconv.FormatUint(v, 10) == digits {
				list = append(list, v)
			}
		}
	}
	slices.Sort(list)
	return list, nil
}

// FoundCheckpoint is a checkpoint that was read from a file.
type FoundCheckpoint struct {
	proof.Checkpoint
	Path   string
	Text   []byte
	Signed bool  // its signature was checked
	Err    error // why it cannot be believed; what it says may be read all the same
}

// run is what the checkpoint says of the run of the station in which it was made.
func (f *FoundCheckpoint) run() mark {
	return mark{Generation: f.Generation, Sequence: uint64(f.Size), Start: f.Start, StartHash: f.StartHash}
}

// ReadCheckpoints reads the checkpoints at path, a folder or one file, under a
// public key, which may be "". Files that are no whole note are passed over:
// a crash leaves such.
func ReadCheckpoints(path, public string) ([]FoundCheckpoint, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("reading checkpoints: %w", err)
	}
	files := []string{path}
	if info.IsDir() {
		sequences, err := listCheckpoints(path)
		if err != nil {
			return nil, fmt.Errorf("reading checkpoints: %w", err)
		}
		files = nil
		for _, s := range sequences {
			files = append(files, filepath.Join(path, noteName(s)))
		}
	}
	var list []FoundCheckpoint
	for _, name := range files {
		if i, err := os.Stat(name); err != nil || !i.Mode().IsRegular() {
			continue
		}
		data, err := readAll(osDisk{}, name, longestOne)
		if err != nil {
			return nil, fmt.Errorf("reading checkpoints: %w", err)
		}
		f := FoundCheckpoint{Path: name, Text: data}
		if f.Checkpoint, f.Signed, f.Err = proof.Open(data, public); f.Err != nil {
			var err error
			if f.Checkpoint, _, err = proof.Open(data, ""); err != nil {
				if !strings.Contains(string(data), "\n\n") || !strings.HasSuffix(string(data), "\n") {
					continue // cut while it was written
				}
			}
		}
		list = append(list, f)
	}
	return list, nil
}
