package link

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// originOf asks the system what a port is. A port on which people or a login are
// at work is a ForeignError: taking it would end their work. sys is where Linux
// shows its devices, proc where it shows its processes.
func originOf(address, sys, proc string) (origin, error) {
	var st unix.Stat_t
	if err := unix.Stat(address, &st); err != nil || st.Mode&unix.S_IFMT != unix.S_IFCHR {
		return origin{}, nil // opening it says so
	}
	major, minor := unix.Major(st.Rdev), unix.Minor(st.Rdev)
	if pid, name := workerOn(major, minor, proc); pid != 0 {
		return origin{}, &ForeignError{address, fmt.Sprintf("is the terminal of process %d (%s), and no line to a unit: correct the port in the station sheet", pid, name)}
	}
	if major >= firstPTY && major <= lastPTY {
		return origin{made: time.Unix(st.Ctim.Unix())}, nil
	}
	real, err := filepath.EvalSymlinks(address)
	if err != nil || real != filepath.Clean(address) {
		return origin{}, nil // a name that someone chose by where the adapter is, or by its number
	}
	socket, err := filepath.EvalSymlinks(filepath.Join(sys, "dev/char", fmt.Sprintf("%d:%d", major, minor), "device"))
	if err != nil {
		return origin{}, nil // it has no socket
	}
	if filepath.Base(socket) == filepath.Base(real) {
		socket = filepath.Dir(socket) // USB adapters have their name again there
	}
	return origin{socket: filepath.Base(socket)}, nil
}

// The device numbers of pseudo-terminals, as Linux has them in
// Documentation/admin-guide/devices.txt (from memory).
const firstPTY, lastPTY = 136, 143

// workerOn returns a process whose controlling terminal the device is, 0 for
// none: a shell, a login. A process that only uses a line has none there.
func workerOn(major, minor uint32, proc string) (pid int, name string) {
	all, err := os.ReadDir(proc)
	if err != nil {
		return 0, ""
	}
	for _, e := range all {
		pid, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		stat, err := os.ReadFile(filepath.Join(proc, e.Name(), "stat"))
		if err != nil {
			continue // it has ended, or is hidden
		}
		// pid (name) state parent group session terminal …; proc_pid_stat(5)
		begin, end := strings.Index(string(stat), "("), strings.LastIndex(string(stat), ")")
		if begin < 0 || end < begin {
			continue
		}
		fields := strings.Fields(string(stat[end+1:]))
		if len(fields) < 5 {
			continue
		}
		n, err := strconv.ParseInt(fields[4], 10, 64)
		if tty := uint32(n); err == nil && n != 0 && tty>>8&0xFFF == major && tty&0xFF|tty>>12&0xFFF00 == minor {
			return pid, string(stat[begin+1 : end])
		}
	}
	return 0, ""
}
