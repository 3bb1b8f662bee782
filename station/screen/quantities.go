package screen

import "example.org/panecal/limits/quantity"

// outside is a quantity in the operator's words: its name, and what is said
// where it is too low and where it is too high. Each begins a sentence.
type outside struct{ name, low, high string }

// quantityTable has the words of every quantity, language by language.
var quantityTable = map[quantity.Name]struct{ en, es, de outside }{
	quantity.LeakageMax: {
		outside{"Leakage", "Leakage too low", "Leakage too high"},
		outside{"Luz parásita", "Luz parásita demasiado baja", "Luz parásita demasiado alta"},
		outside{"Leckage", "Leckage zu niedrig", "Leckage zu hoch"}},
	quantity.LeakageTotal: {
		outside{"Total leakage", "Total leakage too low", "Total leakage too high"},
		outside{"Luz parásita total", "Luz parásita total demasiado baja", "Luz parásita total demasiado alta"},
		outside{"Leckage insgesamt", "Leckage insgesamt zu niedrig", "Leckage insgesamt zu hoch"}},
	quantity.LeakageXBalance: {
		outside{"Leakage left and right", "Leakage uneven, left and right", "Leakage uneven, left and right"},
		outside{"Luz parásita a los lados", "Luz parásita desigual a los lados", "Luz parásita desigual a los lados"},
		outside{"Leckage links und rechts", "Leckage links und rechts ungleich", "Leckage links und rechts ungleich"}},
	quantity.LeakageYBalance: {
		outside{"Leakage top and bottom", "Leakage uneven, top and bottom", "Leakage uneven, top and bottom"},
		outside{"Luz parásita arriba y abajo", "Luz parásita desigual arriba y abajo", "Luz parásita desigual arriba y abajo"},
		outside{"Leckage oben und unten", "Leckage oben und unten ungleich", "Leckage oben und unten ungleich"}},
	quantity.LeakageLate: {
		outside{"Late leakage", "Late leakage too low", "Late leakage too high"},
		outside{"Luz parásita tardía", "Luz parásita tardía demasiado baja", "Luz parásita tardía demasiado alta"},
		outside{"Späte Leckage", "Späte Leckage zu niedrig", "Späte Leckage zu hoch"}},
	quantity.LeakageDistance: {
		outside{"Distance of the leakage", "Leakage comes from too near", "Leakage comes from too far"},
		outside{"Distancia de la luz parásita", "Luz parásita de demasiado cerca", "Luz parásita de demasiado lejos"},
		outside{"Abstand der Leckage", "Leckage kommt von zu nah", "Leckage kommt von zu weit"}},
	quantity.LeakageChange: {
		outside{"Change of the leakage", "Leakage fell between captures", "Leakage rose between captures"},
		outside{"Cambio de la luz parásita", "Luz parásita bajó entre capturas", "Luz parásita subió entre capturas"},
		outside{"Änderung der Leckage", "Leckage sank zwischen Aufnahmen", "Leckage stieg zwischen Aufnahmen"}},
	quantity.PulseWidth: {
		outside{"Light pulse", "Light pulse too short", "Light pulse too long"},
		outside{"Pulso de luz", "Pulso de luz demasiado corto", "Pulso de luz demasiado largo"},
		outside{"Lichtpuls", "Lichtpuls zu kurz", "Lichtpuls zu lang"}},
	quantity.PulseMisfit: {
		outside{"Shape of the light pulse", "Light pulse fits too well", "Light pulse has a wrong shape"},
		outside{"Forma del pulso de luz", "Pulso de luz demasiado exacto", "Pulso de luz con forma errónea"},
		outside{"Form des Lichtpulses", "Lichtpuls passt zu genau", "Lichtpuls hat falsche Form"}},
	quantity.AmbientMax: {
		outside{"Ambient light", "Ambient light too weak", "Ambient light too strong"},
		outside{"Luz ambiente", "Luz ambiente demasiado débil", "Luz ambiente demasiado fuerte"},
		outside{"Umgebungslicht", "Umgebungslicht zu schwach", "Umgebungslicht zu stark"}},
	quantity.StraySignificance: {
		outside{"Empty field", "Field emptier than it can be", "Something stands in the field"},
		outside{"Campo vacío", "Campo más vacío de lo posible", "Hay algo en el campo"},
		outside{"Leeres Feld", "Feld leerer als möglich", "Etwas steht im Feld"}},
	quantity.RateMax: {
		outside{"Light on the receiver", "Too little light on the receiver", "Too much light on the receiver"},
		outside{"Luz en el receptor", "Muy poca luz en el receptor", "Demasiada luz en el receptor"},
		outside{"Licht am Empfänger", "Zu wenig Licht am Empfänger", "Zu viel Licht am Empfänger"}},
	quantity.OffsetMean: {
		outside{"Offset", "Offset too low", "Offset too high"},
		outside{"Desviación de cero", "Desviación de cero demasiado baja", "Desviación de cero demasiado alta"},
		outside{"Nullpunkt", "Nullpunkt zu niedrig", "Nullpunkt zu hoch"}},
	quantity.OffsetSpread: {
		outside{"Difference of the zones", "Zones differ too little", "Zones differ too much"},
		outside{"Diferencia de las zonas", "Las zonas difieren muy poco", "Las zonas difieren demasiado"},
		outside{"Unterschied der Zonen", "Zonen unterscheiden sich zu wenig", "Zonen unterscheiden sich zu sehr"}},
	quantity.OffsetUncertainty: {
		outside{"Certainty of the offset", "Offset more certain than can be", "Offset too uncertain"},
		outside{"Certeza de la desviación", "Desviación más cierta de lo posible", "Desviación de cero incierta"},
		outside{"Sicherheit des Nullpunkts", "Nullpunkt sicherer als möglich", "Nullpunkt zu unsicher"}},
	quantity.SignalRatio: {
		outside{"Signal for this target", "Signal too weak for this target", "Signal too strong for this target"},
		outside{"Señal para este objetivo", "Señal débil para este objetivo", "Señal fuerte para este objetivo"},
		outside{"Signal für dieses Ziel", "Signal zu schwach für dieses Ziel", "Signal zu stark für dieses Ziel"}},
	quantity.SeatTilt: {
		outside{"Seat of the unit", "Unit sits straighter than can be", "Unit sits askew"},
		outside{"Asiento de la unidad", "Unidad más recta de lo posible", "Unidad torcida en el nido"},
		outside{"Sitz des Geräts", "Gerät sitzt gerader als möglich", "Gerät sitzt schief"}},
	quantity.EstimatorDifference: {
		outside{"Two readings of the range", "Two readings of the range differ", "Two readings of the range differ"},
		outside{"Dos lecturas de la distancia", "Dos lecturas de distancia difieren", "Dos lecturas de distancia difieren"},
		outside{"Zwei Auswertungen", "Zwei Auswertungen widersprechen sich", "Zwei Auswertungen widersprechen sich"}},
	quantity.VerifyError: {
		outside{"Range after writing", "Unit ranges too short", "Unit ranges too long"},
		outside{"Distancia tras escribir", "La unidad mide de menos", "La unidad mide de más"},
		outside{"Messung nach dem Schreiben", "Gerät misst zu kurz", "Gerät misst zu weit"}},
	quantity.VerifyErrorFar: {
		outside{"Range far away", "Unit ranges too short far away", "Unit ranges too long far away"},
		outside{"Distancia a lo lejos", "A lo lejos mide de menos", "A lo lejos mide de más"},
		outside{"Messung in der Ferne", "Gerät misst in der Ferne zu kurz", "Gerät misst in der Ferne zu weit"}},
	quantity.RangeErrorProjected: {
		outside{"Error to expect", "Error to expect too low", "Error to expect too high"},
		outside{"Error esperado", "Error esperado demasiado bajo", "Error esperado demasiado alto"},
		outside{"Erwarteter Fehler", "Erwarteter Fehler zu niedrig", "Erwarteter Fehler zu hoch"}},
	quantity.Temperature: {
		outside{"Temperature", "Unit too cold", "Unit too warm"},
		outside{"Temperatura", "Unidad demasiado fría", "Unidad demasiado caliente"},
		outside{"Temperatur", "Gerät zu kalt", "Gerät zu warm"}},
	quantity.ZonesDead: {
		outside{"Dead zones", "Too few dead zones", "Too many dead zones"},
		outside{"Zonas muertas", "Muy pocas zonas muertas", "Demasiadas zonas muertas"},
		outside{"Tote Zonen", "Zu wenige tote Zonen", "Zu viele tote Zonen"}},
	quantity.ZonesHot: {
		outside{"Noisy zones", "Too few noisy zones", "Too many noisy zones"},
		outside{"Zonas ruidosas", "Muy pocas zonas ruidosas", "Demasiadas zonas ruidosas"},
		outside{"Rauschende Zonen", "Zu wenige rauschende Zonen", "Zu viele rauschende Zonen"}},
	quantity.SignalMin: {
		outside{"Signal", "Signal too weak", "Signal too strong"},
		outside{"Señal", "Señal demasiado débil", "Señal demasiado fuerte"},
		outside{"Signal", "Signal zu schwach", "Signal zu stark"}},
	quantity.TargetMisfit: {
		outside{"Misfit of the target", "Target fits too well", "Target fits badly"},
		outside{"Desajuste del objetivo", "El objetivo se ajusta demasiado bien", "El objetivo se ajusta mal"},
		outside{"Abweichung des Ziels", "Ziel passt zu gut", "Ziel passt schlecht"}},
	quantity.ZonesMisfit: {
		outside{"Zones that misfit", "Too few zones misfit", "Too many zones misfit"},
		outside{"Zonas que no ajustan", "Muy pocas zonas no ajustan", "Demasiadas zonas no ajustan"},
		outside{"Abweichende Zonen", "Zu wenige Zonen weichen ab", "Zu viele Zonen weichen ab"}},
	quantity.ZonesNoSignal: {
		outside{"Zones without target", "Too few zones without target", "Too many zones without target"},
		outside{"Zonas sin objetivo", "Muy pocas zonas sin objetivo", "Demasiadas zonas sin objetivo"},
		outside{"Zonen ohne Ziel", "Zu wenige Zonen ohne Ziel", "Zu viele Zonen ohne Ziel"}},
}
