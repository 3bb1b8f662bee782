package station

// row is one step's part of the table of transitions: which answer the step
// awaits, what follows from it, from its failure, from the timer and from
// people. A nil function refuses the event, or ignores it where it asks for
// nothing. The table with all its pairs is printed in testdata/states.golden.
type row struct {
	answer  kind
	done    func(*Machine, *nest, Fact)
	fail    func(*Machine, *nest, Failure)
	expire  func(*Machine, *nest)
	goOn    func(*Machine, *nest) // the operator's "go on"
	skip    func(*Machine, *nest) // the operator ends it
	leave   func(*Machine, *nest) // shutdown; nil: goes on to its own end, which is near
	attempt bool                  // within an attempt, and free to be ended
}

var table = [steps]row{
	Opening: {answer: kDone, done: (*Machine).opened, fail: (*Machine).notOpened, expire: (*Machine).reopen,
		leave: (*Machine).leaveIdle},
	Vacant: {answer: kIdentified, done: (*Machine).seated, fail: (*Machine).stillVacant, expire: (*Machine).probe,
		goOn: (*Machine).seatedSays, leave: (*Machine).leaveIdle},
	Unlabelled: {answer: kIdentified, done: (*Machine).stillThere, fail: (*Machine).notThere, expire: (*Machine).probe,
		leave: (*Machine).leaveIdle},
	Expected: {answer: kIdentified, done: (*Machine).expectedCame, fail: (*Machine).expectedSilent, expire: (*Machine).probeExpected,
		skip: (*Machine).dropLabel, leave: (*Machine).leaveIdle},
	Greeting: {answer: kReported, done: (*Machine).reported, fail: (*Machine).early,
		leave: (*Machine).leaveIdle},
	Reading: {answer: kBlockRead, done: (*Machine).read, fail: (*Machine).early,
		leave: (*Machine).leaveIdle},
	Recalling: {answer: kRecalled, done: (*Machine).recalled, fail: (*Machine).storeTrouble,
		leave: (*Machine).leaveIdle},
	Confirming: {answer: kIdentified, done: (*Machine).stillConfirming, fail: (*Machine).notThere, expire: (*Machine).probe,
		goOn: (*Machine).confirmed, skip: (*Machine).turnAway, leave: (*Machine).leaveIdle},
	Asking: {answer: kAllowed, done: (*Machine).allowed, fail: (*Machine).notAllowed,
		skip: (*Machine).turnAway, leave: (*Machine).leaveIdle},
	Delayed: {answer: kIdentified, done: (*Machine).stillDelayed, fail: (*Machine).notThere, expire: (*Machine).probe,
		skip: (*Machine).turnAway, leave: (*Machine).leaveIdle},
	Refusing:  {answer: kStored, done: (*Machine).refused, fail: (*Machine).storeTrouble},
	Intending: {answer: kStored, done: (*Machine).intended, fail: (*Machine).storeTrouble},
	Voiding: {answer: kBlockRead, done: (*Machine).voided, fail: (*Machine).voidTrouble,
		skip: (*Machine).skip, leave: (*Machine).leaveAttempt, attempt: true},
	Warming: {answer: kReported, done: (*Machine).warmed, fail: (*Machine).deviceTrouble, expire: (*Machine).lookAtWarmth,
		skip: (*Machine).skip, leave: (*Machine).leaveAttempt, attempt: true},
	Emptying: {answer: kDone, done: (*Machine).emptied, fail: (*Machine).moveTrouble,
		skip: (*Machine).skip, leave: (*Machine).leaveAttempt, attempt: true},
	Clearing: {answer: kCaptured, done: (*Machine).looked, fail: (*Machine).lookTrouble, expire: (*Machine).look,
		goOn: (*Machine).hurry, skip: (*Machine).skip, leave: (*Machine).leaveAttempt, attempt: true},
	EmptyCapture: {answer: kCaptured, done: (*Machine).emptyCaptured, fail: (*Machine).captureTrouble,
		skip: (*Machine).skip, leave: (*Machine).leaveAttempt, attempt: true},
	EmptyEstimate: {answer: kEmptyEstimated, done: (*Machine).emptyEstimated, fail: (*Machine).estimateTrouble,
		skip: (*Machine).skip, leave: (*Machine).leaveAttempt, attempt: true},
	Guarded: {answer: kNothing, expire: (*Machine).lidStaysOpen,
		goOn: (*Machine).lidClosed, skip: (*Machine).skip, leave: (*Machine).leaveAttempt, attempt: true},
	Moving: {answer: kDone, done: (*Machine).moved, fail: (*Machine).moveTrouble,
		skip: (*Machine).skip, leave: (*Machine).leaveAttempt, attempt: true},
	Targeting: {answer: kCaptured, done: (*Machine).looked, fail: (*Machine).lookTrouble, expire: (*Machine).look,
		goOn: (*Machine).hurry, skip: (*Machine).skip, leave: (*Machine).leaveAttempt, attempt: true},
	TargetCapture: {answer: kCaptured, done: (*Machine).targetCaptured, fail: (*Machine).captureTrouble,
		skip: (*Machine).skip, leave: (*Machine).leaveAttempt, attempt: true},
	RangesCapture: {answer: kCaptured, done: (*Machine).rangesCaptured, fail: (*Machine).captureTrouble,
		skip: (*Machine).skip, leave: (*Machine).leaveAttempt, attempt: true},
	TargetEstimate: {answer: kTargetEstimated, done: (*Machine).targetEstimated, fail: (*Machine).estimateTrouble,
		skip: (*Machine).skip, leave: (*Machine).leaveAttempt, attempt: true},
	WriteIntending: {answer: kStored, done: (*Machine).writeIntended, fail: (*Machine).storeTrouble},
	Writing: {answer: kDone, done: (*Machine).wrote, fail: (*Machine).writeTrouble,
		leave: (*Machine).leaveAttempt, attempt: true},
	Restarting: {answer: kIdentified, done: (*Machine).restarted, fail: (*Machine).writeTrouble,
		skip: (*Machine).skip, leave: (*Machine).leaveAttempt, attempt: true},
	ReadingBack: {answer: kBlockRead, done: (*Machine).readBack, fail: (*Machine).writeTrouble,
		skip: (*Machine).skip, leave: (*Machine).leaveAttempt, attempt: true},
	VerifyCapture: {answer: kCaptured, done: (*Machine).verifyCaptured, fail: (*Machine).captureTrouble,
		skip: (*Machine).skip, leave: (*Machine).leaveAttempt, attempt: true},
	VerifyEstimate: {answer: kVerifyEstimated, done: (*Machine).verifyEstimated, fail: (*Machine).estimateTrouble,
		skip: (*Machine).skip, leave: (*Machine).leaveAttempt, attempt: true},
	Halting:   {answer: kDone, done: (*Machine).halted, fail: (*Machine).notHalted, expire: (*Machine).proceed},
	Saving:    {answer: kSaved, done: (*Machine).saved, fail: (*Machine).storeTrouble},
	Recording: {answer: kStored, done: (*Machine).recorded, fail: (*Machine).storeTrouble},
	Releasing: {answer: kBlockRead, done: (*Machine).marked, fail: (*Machine).notMarked},
	Changing:  {answer: kStored, done: (*Machine).changed, fail: (*Machine).storeTrouble},
	Showing: {answer: kIdentified, done: (*Machine).stillThere, fail: (*Machine).notThere, expire: (*Machine).probe,
		goOn: (*Machine).acknowledged, leave: (*Machine).leaveIdle},
	Turned: {answer: kIdentified, done: (*Machine).stillThere, fail: (*Machine).notThere, expire: (*Machine).probe,
		goOn: (*Machine).acknowledged, leave: (*Machine).leaveIdle},
	Rejecting: {answer: kNothing, leave: (*Machine).leaveIdle},
	Stopped:   {answer: kStored, done: (*Machine).stopStored, fail: (*Machine).storeTrouble, leave: (*Machine).leaveStopped},
	Ended:     {answer: kNothing},
}
