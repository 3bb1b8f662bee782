package main

// enoughFiles has nothing to ask: Windows sets a process no such limit.
func enoughFiles() error { return nil }
