package main

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
)

// serialDrivers is where Linux shows what its drivers know about USB serial
// adapters.
const serialDrivers = "/sys/bus/usb-serial/devices"

// mostLatencyMS is how long an adapter may keep bytes back. The 16 ms that some
// are delivered with are added to every question that waits for its answer.
const mostLatencyMS = 2

func examinePort(nest, port, drivers string, say sayer) {
	if strings.HasPrefix(port, "tcp:") {
		say("ok", "port "+nest, "", "%s: a bridge program; not tried here", port)
		return
	}
	if _, err := os.Stat(port); err != nil && runtime.GOOS != "windows" {
		say("bad", "port "+nest, "plug the adapter in, or correct the port in the station sheet; stable names are in /dev/serial/by-path", "%v", err)
		return
	}
	say("ok", "port "+nest, "", "%s", port)
	subject := "latency " + nest
	path, ms, err := adapterLatency(port, drivers)
	switch {
	case err != nil:
		say("look", subject, "ask the adapter's driver for its latency", "not known: %v", err)
	case path == "" && runtime.GOOS == "windows":
		say("look", subject, fmt.Sprintf("set %d ms or less in the port's advanced settings, where there is such a setting", mostLatencyMS), "Windows does not tell")
	case path == "":
		say("ok", subject, "", "the port keeps no bytes back, or says nothing about it")
	case ms > mostLatencyMS:
		say("look", subject, fmt.Sprintf("as administrator: echo 1 > %s; a udev rule keeps it so", path), "the adapter keeps bytes back for %d ms", ms)
	default:
		say("ok", subject, "", "the adapter keeps bytes back for %d ms", ms)
	}
}

// adapterLatency reads for how long an adapter keeps bytes back, in ms, and the
// file that says so; the file is "" for a port that has none.
func adapterLatency(port, drivers string) (path string, ms int, err error) {
	name, err := filepath.EvalSymlinks(port)
	if err != nil {
		return "", 0, err
	}
	path = filepath.Join(drivers, filepath.Base(name), "latency_timer")
	data, err := os.ReadFile(path)
	if os.IsNotExist(err) {
		return "", 0, nil
	}
	if err != nil {
		return "", 0, err
	}
	ms, err = strconv.Atoi(strings.TrimSpace(string(data)))
	if err != nil {
		return "", 0, fmt.Errorf("%s: %w", path, err)
	}
	return path, ms, nil
}

// examineClock looks at the clock, which tells people when, and certificates
// whether they are due; the order of records does not depend on it.
func examineClock(now string, synced, known bool, say sayer) {
	switch {
	case !known:
		say("ok", "clock", "", "%s UTC; whether it follows a time server is not known here", now)
	case !synced:
		say("look", "clock", "switch time synchronisation on (timedatectl set-ntp true), or compare the clock by hand each week", "%s UTC, follows no time server", now)
	default:
		say("ok", "clock", "", "%s UTC, follows a time server", now)
	}
}
