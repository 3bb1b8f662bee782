# Answers of `reestimate --all --json` as figures: attempts with raw captures that come
# out the same to the last bit, of those there are. Exit code 1 where one is short.
$1 == "\"attempts\":" { attempts[FILENAME] = $2 + 0 }
$1 == "\"same\":" { same[FILENAME] = $2 + 0 }
$1 == "\"numbers\":" { numbers[FILENAME] = $2 + 0 }
END {
	code = ARGC < 2
	for (i = 1; i < ARGC; i++) {
		f = ARGV[i]; name = f; sub(/.*\//, "", name)
		any = attempts[f] > 0; told = numbers[f] > 0; fine = any && same[f] == attempts[f]
		print "figure", name ".attempts", attempts[f] + 0, "attempts", ">0", any ? "ok" : "short"
		print "figure", name ".numbers", numbers[f] + 0, "numbers", ">0", told ? "ok" : "short"
		print "figure", name ".same", same[f] + 0, "attempts", attempts[f] + 0, fine ? "ok" : "short"
		if (!fine) code = 1
	}
	exit code
}
