# The last line of a conformance run as figures: clauses passed, and those that
# failed or were not tried. Exit code 1 where one is short.
/ passed, .* failed, .* not tried$/ { passed[FILENAME] = $1; bad[FILENAME] = $3 + $5 }
END {
	code = ARGC < 2
	for (i = 1; i < ARGC; i++) {
		f = ARGV[i]; name = f; sub(/.*\//, "", name)
		ran = passed[f] > 0; fine = ran && bad[f] == 0
		print "figure", name ".passed", passed[f] + 0, "clauses", ">0", ran ? "ok" : "short"
		print "figure", name ".failed_or_untried", bad[f] + 0, "clauses", "0", fine ? "ok" : "short"
		if (!fine) code = 1
	}
	exit code
}
