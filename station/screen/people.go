package screen

import (
	"example.org/panecal/station/shift"
)

// peopleText is what is said about badges, PINs and who may lift a stop.
type peopleText struct {
	allow   pageText
	replies map[shift.Code]string
}

// withPeople adds these texts to a language.
func (l *Language) withPeople(t peopleText) {
	l.people = t
	l.pages[shift.AllowPage] = t.allow
}

func peopleEnglish() peopleText {
	return peopleText{
		allow: pageText{[2]string{"TRAINING ENDED", "CALL THE LEAD"}, "A lead may allow one shift: the lead's badge, then the PIN. Enter goes back.", nil},
		replies: map[shift.Code]string{
			shift.UnknownBadge:  "This badge is not in the roster. Call the line lead.",
			shift.NotValid:      "{text} may not work here any more. Call the line lead.",
			shift.NoOperator:    "{text} is not an operator here. Call the line lead.",
			shift.NoLead:        "{text} may not allow this. Another lead's badge, please.",
			shift.TrainingEnded: "The training of {text} has ended. Call the line lead.",
			shift.BadgeBarred:   "Five wrong PINs: this badge is barred until {text}.",
			shift.PINScanned:    "A PIN is typed by hand, never scanned. That is on record.",
			shift.PINForm:       "Type the six digits of the PIN, then Enter.",
			shift.PINWrong:      "This PIN is wrong. Tries left: {text}.",
			shift.PINClosed:     "No PIN came for 30 seconds. Scan the badge again.",
			shift.NothingToLift: "The stop has ended already.",
		},
	}
}

func peopleGerman() peopleText {
	return peopleText{
		allow: pageText{[2]string{"SCHULUNG VORBEI", "RUF DIE LEITUNG"}, "Die Linienleitung darf eine Schicht erlauben: ihr Ausweis, dann die PIN. Enter: zurück.", nil},
		replies: map[shift.Code]string{
			shift.UnknownBadge:  "Dieser Ausweis steht nicht in der Liste. Linienleitung rufen.",
			shift.NotValid:      "{text} darf hier nicht mehr arbeiten. Linienleitung rufen.",
			shift.NoOperator:    "{text} ist hier kein Bediener. Linienleitung rufen.",
			shift.NoLead:        "{text} darf das nicht erlauben. Ausweis einer anderen Leitung scannen.",
			shift.TrainingEnded: "Die Schulung von {text} ist abgelaufen. Linienleitung rufen.",
			shift.BadgeBarred:   "Fünf falsche PINs: dieser Ausweis ist gesperrt bis {text}.",
			shift.PINScanned:    "Eine PIN wird getippt, nie gescannt. Das ist aufgezeichnet.",
			shift.PINForm:       "Die sechs Ziffern der PIN tippen, dann Enter.",
			shift.PINWrong:      "Diese PIN ist falsch. Versuche übrig: {text}.",
			shift.PINClosed:     "30 Sekunden lang kam keine PIN. Ausweis noch einmal scannen.",
			shift.NothingToLift: "Der Stopp ist schon vorbei.",
		},
	}
}

func peopleSpanish() peopleText {
	return peopleText{
		allow: pageText{[2]string{"SIN FORMACIÓN", "AVISE AL JEFE"}, "Un jefe de línea puede permitir un turno: su tarjeta y luego el PIN. Intro: volver.", nil},
		replies: map[shift.Code]string{
			shift.UnknownBadge:  "Esta tarjeta no está en la lista. Avise al jefe de línea.",
			shift.NotValid:      "{text} ya no puede trabajar aquí. Avise al jefe de línea.",
			shift.NoOperator:    "{text} no es operario aquí. Avise al jefe de línea.",
			shift.NoLead:        "{text} no puede permitirlo. Pase la tarjeta de otro jefe.",
			shift.TrainingEnded: "La formación de {text} ha caducado. Avise al jefe de línea.",
			shift.BadgeBarred:   "Cinco PIN erróneos: tarjeta bloqueada hasta las {text}.",
			shift.PINScanned:    "El PIN se escribe a mano, nunca se escanea. Queda registrado.",
			shift.PINForm:       "Escriba las seis cifras del PIN y pulse Intro.",
			shift.PINWrong:      "El PIN no es correcto. Intentos restantes: {text}.",
			shift.PINClosed:     "No llegó ningún PIN en 30 segundos. Pase la tarjeta otra vez.",
			shift.NothingToLift: "La parada ya ha terminado.",
		},
	}
}
