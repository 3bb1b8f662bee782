package link

// roomForPort has nothing to look for: Windows numbers no files.
func roomForPort() error { return nil }
