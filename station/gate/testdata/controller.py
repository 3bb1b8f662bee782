# A line controller, written from station/GATE.md alone. It runs until the unit END
# has been answered for.
#
#   python3 controller.py FOLDER SESSION
#
# It lets every unit start but those on its list, and now and then misbehaves as
# a line may: an answer twice, one for another serial, one past its time, one that
# is no JSON. What it read and wrote goes into the file SESSION.
import datetime
import json
import os
import sys
import time

folder, session = sys.argv[1], open(sys.argv[2], "w", encoding="utf-8")
out, into = os.path.join(folder, "out"), os.path.join(folder, "in")
barred = {"B1": "not on the list of this shift", "B2": "\x1b[2Jsk\u0130p\u202e" + "x" * 500}


def put(name, text):
    print(json.dumps({"question": read, "answer": text}), file=session, flush=True)
    unfinished = os.path.join(into, "." + name)
    with open(unfinished, "w", encoding="utf-8") as f:
        f.write(text)
    os.rename(unfinished, os.path.join(into, name))


def answer(q, **changes):
    a = {"schema": "panecal.gate_answer/1", "request": q["request"], "serial": q["serial"],
         "may_start": q["serial"] not in barred, "reason": barred.get(q["serial"], ""), "expires": q["expires"]}
    a.update(changes)
    return json.dumps(a)


def when(text):
    return datetime.datetime.fromisoformat(text.replace("Z", "+00:00"))


done, results, over = set(), {}, False
while not over:
    for name in sorted(os.listdir(out)):
        if not name.endswith(".json") or name.startswith("."):
            continue
        path = os.path.join(out, name)
        try:
            with open(path, encoding="utf-8") as f:
                read = f.read()
            m = json.loads(read)
        except FileNotFoundError:
            continue  # taken back meanwhile
        if m["schema"] == "panecal.gate_result/1":
            results[m["result"]] = m["verdict"]
            os.remove(path)
            continue
        if m["schema"] != "panecal.gate_question/1" or m["request"] in done:
            continue
        if when(m["expires"]) <= datetime.datetime.now(datetime.timezone.utc):
            continue
        done.add(m["request"])
        reply = "answer-" + m["request"] + ".json"
        if m["serial"] == "WRONG":
            put(reply, answer(m, serial="A1"))
        elif m["serial"] == "LATE":
            put(reply, answer(m, expires="2001-01-01T00:00:00Z"))
        elif m["serial"] == "BABBLE":
            put(reply, "yes\n" * 3)
        else:
            put(reply, answer(m))
            if m["serial"] == "TWICE":
                put("answer-again.json", answer(m))
        over = m["serial"] == "END"
    time.sleep(0.005)
for name in sorted(results):
    print(name, results[name]["serial"], results[name]["outcome"], results[name]["disposition"])
