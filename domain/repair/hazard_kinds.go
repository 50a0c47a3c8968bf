package repair

import "slices"

// HazardMark says what the words of a hazard kind rest on.
type HazardMark string

// The marks of a hazard kind.
const (
	HazardPublished  HazardMark = "published"       // Source says where
	HazardPractice   HazardMark = "common_practice" // of the trade, no source
	HazardFromMemory HazardMark = "from_memory"     // published somewhere, written down from memory: look it up before relying on it
)

// Keeps says when a hazard that is not cleared keeps the unit out of service.
type Keeps string

// When a hazard keeps the unit out of service.
const (
	KeepsAlways     Keeps = "always"
	KeepsWhenDanger Keeps = "when_danger_now"
)

// HazardKind is one kind of hazard. The texts are short sentences; none tells
// anyone to put a safety device out of action, and Plain and Ask, which are for
// the customer, never send them inside the machine.
type HazardKind struct {
	ID    string
	Name  string   // in the words of the trade
	Plain string   // words a customer understands
	Ask   string   // what the customer is asked to do while it is not cleared; never to work on it themselves
	Look  []string // what the tech asks or looks at
	Do    []string // what the tech does
	Usual Level    // how grave it mostly is
	Least Level    // a lower level is refused; empty: any
	// Device says that a safety device is concerned: not cleared, it keeps the
	// unit out of service whatever its level.
	Device bool
	Mark   HazardMark
	Source string // what Mark rests on; empty for common practice
}

// Keeps says when a hazard of this kind keeps the unit out of service.
func (k HazardKind) Keeps() Keeps {
	if k.Device || k.Least == DangerNow {
		return KeepsAlways
	}
	return KeepsWhenDanger
}

// HazardKinds lists the kinds of hazards; the last one, other, is for what fits
// no other kind.
func HazardKinds() []HazardKind { return slices.Clone(hazardKinds) }

// hazardKind gives a kind by id; the last one, other, for an unknown id.
func hazardKind(id string) (HazardKind, bool) {
	for _, k := range hazardKinds {
		if k.ID == id {
			return k, true
		}
	}
	return hazardKinds[len(hazardKinds)-1], false
}

// Limits of resistance to ground are those of EN 50106; that standard, NEC
// 250.140, NFPA 70E and the rules of the Clean Air Act were read as excerpts or
// on secondary pages. What to do about gas and carbon monoxide follows the
// usual advice of gas suppliers.
var hazardKinds = slices.Concat(deviceHazards, electricHazards, gasHazards, heatHazards, bodyHazards)

var deviceHazards = []HazardKind{
	{ID: "safety_device_bypassed", Name: "Safety device found bypassed", Plain: "A safety device has been put out of action", Device: true, Usual: DangerNow,
		Ask:  "Do not use the appliance. Keep it unplugged until the device has been fitted new.",
		Look: []string{"Follow the wires of each fuse, cut-off, limit, door switch and belt switch.", "Ask who worked on it last."},
		Do:   []string{"Never bypass a safety device, not even to test it.", "Isolate and label the unit.", "Fit the device new and prove it before the unit runs again."},
		Mark: HazardPractice},
	{ID: "safety_device_failed", Name: "Safety device failed", Plain: "A safety device does not work", Device: true, Usual: DangerNow,
		Ask:  "Do not use the appliance. Keep it unplugged until the device has been fitted new.",
		Look: []string{"Fuse, cut-off, limit, motor overload, door, belt and lid switch, float switch, gas valve, anti-tip device.", "Ask why it failed: a blown fuse has a cause."},
		Do:   []string{"Isolate and label the unit.", "Find the cause before a new device goes in.", "Prove the new one before the unit runs again."},
		Mark: HazardPractice},
}

var electricHazards = []HazardKind{
	{ID: "not_isolated", Name: "Circuit cannot be made dead", Plain: "The appliance still carries voltage when it is switched off", Usual: DangerNow,
		Ask:  "Do not touch or use the appliance. Have the circuit seen to by a licensed electrician.",
		Look: []string{"Measure both legs and neutral to ground, and leg to leg.", "Try the tester on a known live point before and after.", "A two-pole breaker can leave one leg live."},
		Do:   []string{"Do not work on it.", "Find the breaker that makes it dead, lock it, and prove it dead again.", "Record the isolation."},
		Mark: HazardPublished, Source: "NFPA 70E, 120.5(7): live, dead, live; read as an excerpt"},
	{ID: "capacitor_charge", Name: "Charged capacitor", Plain: "A part inside can hold a dangerous charge after the plug is out", Usual: AtRisk,
		Ask:  "Leave the appliance closed, also when it is unplugged.",
		Look: []string{"Run and start capacitors, and boards with large ones.", "Measure the voltage across the terminals before touching them."},
		Do: []string{"Discharge through a resistor of 10 to 20 kilohms, 5 to 25 watts.", "Measure less than 30 volts before ohms or microfarads.",
			"Microwave ovens hold kilovolts and are not opened by this service."},
		Mark: HazardPractice},
	{ID: "inverter_bus", Name: "Charged inverter bus", Plain: "The motor control keeps a dangerous voltage for minutes after the plug is out", Usual: AtRisk,
		Ask:  "Leave the appliance closed, also when it is unplugged.",
		Look: []string{"Ask whether the motor is driven by an inverter board.", "More than 300 volts may stand on its bus."},
		Do:   []string{"Unplug and wait ten minutes.", "Measure the bus before touching the board or the motor's wires."},
		Mark: HazardPractice},
	{ID: "damaged_cord_or_receptacle", Name: "Damaged cord, plug, receptacle or terminal block", Plain: "The cord, the plug or the wall outlet is damaged", Usual: DangerNow,
		Ask:  "Do not use this outlet. Have it seen to by a licensed electrician.",
		Look: []string{"Look for brown marks, soft plastic and loose blades.", "Look at the strain relief and the lugs of the terminal block.", "Feel for heat after a run."},
		Do:   []string{"Isolate at the breaker.", "Fit a new cord of the right rating.", "Leave the receptacle to an electrician."},
		Mark: HazardPractice},
	{ID: "strap_wrong", Name: "Neutral-to-frame strap wrong", Plain: "The neutral and the ground of the appliance are not connected as they must be", Usual: DangerNow,
		Ask: "Do not use the appliance. Have the connection seen to by a licensed electrician.",
		Look: []string{"Ask at every dryer and range: three or four wires at cord and receptacle?", "Four wires: the strap is removed.",
			"Three wires: the strap is in place.", "Measure frame to neutral.", "A strap left in on a GFCI circuit makes it trip."},
		Do: []string{"Set the strap as the cord needs it and measure again.", "Never feed a strap from the bare neutral of a subpanel cable.",
			"Local code and the maker's instructions decide."},
		Mark: HazardPublished, Source: "NEC 250.140 (2023: divided into (A) and (B)); read on secondary pages, check the edition that holds locally"},
	{ID: "three_wire_supply", Name: "Three-wire supply without grounding conductor", Plain: "The outlet is of an older kind without a ground wire of its own", Usual: BelowPresentCode,
		Ask: "Have a licensed electrician look at the outlet when work is next done on the wiring.",
		Look: []string{"Is it an existing circuit without a grounding conductor?", "Does it run from the service panel, with the neutral insulated or as the code allows?",
			"Is the strap in place?"},
		Do:   []string{"Leave an existing circuit that meets the conditions as it is.", "A new or extended circuit has four wires.", "Record it and tell the customer."},
		Mark: HazardPublished, Source: "NEC 250.140 (2023: divided into (A) and (B)); read on secondary pages, check the edition that holds locally"},
	{ID: "missing_ground", Name: "Ground missing or too high", Plain: "The metal case is not connected to ground", Usual: DangerNow,
		Ask: "Do not use the appliance. Have the ground connection seen to by a licensed electrician.",
		Look: []string{"Measure frame to ground pin: at most 0.1 ohm, 0.2 with the cord.", "Measure at every closing of a dryer, a range or a washer.",
			"Look for an adapter that leaves the ground pin open."},
		Do:   []string{"Isolate the unit.", "Mend the ground in the unit and measure again.", "Leave the house wiring to an electrician."},
		Mark: HazardPublished, Source: "EN 50106, routine tests, earth continuity; read as an excerpt"},
	{ID: "aluminium_wiring", Name: "Aluminium branch wiring", Plain: "The house wiring here is of aluminium", Usual: AtRisk,
		Ask: "Have the wiring and its connections seen to by a licensed electrician.",
		Look: []string{"Ask for the year of the house: mostly 1965 to 1973.", "Look for warm or discoloured receptacles.",
			"Devices must be rated for aluminium."},
		Do:   []string{"Do not re-terminate it.", "Isolate a warm or discoloured receptacle.", "Send an electrician."},
		Mark: HazardFromMemory, Source: "advice of the US Consumer Product Safety Commission on aluminium wiring, from memory"},
	{ID: "wet_floor", Name: "Wet floor or wet electrical parts", Plain: "There is water near parts that carry voltage", Usual: DangerNow,
		Ask:  "Stay off the wet floor and touch nothing electrical. Switch the breaker off only if you can reach it dry.",
		Look: []string{"Floor, wall outlet, cord and the base of the machine.", "Where does the water come from?"},
		Do:   []string{"No powered work on a wet floor.", "Never alone at open live parts in a wet room.", "Isolate from a dry place, shut the water, dry it, then measure."},
		Mark: HazardPractice},
}

var gasHazards = []HazardKind{
	{ID: "gas_smell", Name: "Smell of gas", Plain: "There was a smell of gas", Least: DangerNow, Usual: DangerNow,
		Ask:  "If you smell gas: touch no switch, make no flame and leave. Call the gas supplier or the fire service from outside.",
		Look: []string{"Ask on the telephone whether anybody smells gas now.", "Do not look for the place with the room full of gas."},
		Do:   []string{"Everybody out.", "Shut the gas if that is safe.", "Call the gas supplier from outside.", "Work begins again after they have been."},
		Mark: HazardFromMemory, Source: "usual advice of gas suppliers, from memory"},
	{ID: "gas_leak", Name: "Leak at a gas joint", Plain: "A gas connection leaks", Least: DangerNow, Usual: DangerNow,
		Ask:  "Do not use gas appliances here. If you smell gas: leave and call the gas supplier from outside.",
		Look: []string{"Put leak solution on every joint that was opened.", "Never test with a flame."},
		Do:   []string{"Shut the gas cock and air the room.", "Only a person with a gas certificate mends it.", "Test with solution again."},
		Mark: HazardPractice},
	{ID: "gas_connector", Name: "Old, damaged or reused gas connector", Plain: "The flexible gas hose is old, damaged or has been used before", Usual: AtRisk,
		Ask:  "Do not move the appliance. Have the hose fitted new by a licensed gas fitter.",
		Look: []string{"Look for kinks, corrosion and a hose that passes through a wall or a cabinet.", "Ask whether the appliance was moved."},
		Do:   []string{"Fit a new flexible connector whenever the appliance was moved.", "Only a person with a gas certificate does it.", "Test each joint with solution."},
		Mark: HazardPractice},
	{ID: "carbon_monoxide", Name: "Carbon monoxide", Plain: "Carbon monoxide was found", Least: DangerNow, Usual: DangerNow,
		Ask:  "Do not use gas appliances here. If you feel ill or an alarm sounds: leave and call the fire service from outside.",
		Look: []string{"Take a reading at each gas appliance.", "Ask about headaches and alarms.", "Never run a gas appliance with its vent off."},
		Do:   []string{"Shut the appliance down and air the room.", "Everybody out if anyone feels ill.", "Call the gas supplier."},
		Mark: HazardFromMemory, Source: "usual advice of gas suppliers, from memory"},
	{ID: "hydrocarbon_refrigerant", Name: "Hydrocarbon refrigerant (R-600a, R-290)", Plain: "The cooling circuit holds a gas that can burn", Usual: AtRisk,
		Ask:  "Keep flames and heaters away from the appliance, and do not pierce or scrape its cooling parts.",
		Look: []string{"Read the label: R-600a or R-290.", "Look for oil at the pipes."},
		Do:   []string{"No spark, no heat gun, no torch.", "Diagnose from outside only.", "The circuit itself is for a certified person."},
		Mark: HazardPublished, Source: "Clean Air Act section 608, 40 CFR 82, for who may open the circuit; the cautions are common practice"},
	{ID: "refrigerant_leak", Name: "Leak of a burnable refrigerant", Plain: "Gas that can burn has come out of the cooling circuit", Least: DangerNow, Usual: DangerNow,
		Ask:  "Touch no switch or plug near the appliance. Open windows, keep flames away and stay out of the room.",
		Look: []string{"Oil at a joint, a hiss, a pierced evaporator.", "Is the label R-600a or R-290?"},
		Do:   []string{"Everybody out of the room and air it.", "Make the circuit dead at the panel, not at the plug.", "A certified person does the rest."},
		Mark: HazardPublished, Source: "Clean Air Act section 608, 40 CFR 82, for who may open the circuit; the cautions are common practice"},
}

var heatHazards = []HazardKind{
	{ID: "lint_fire", Name: "Lint inside the machine that can catch fire", Plain: "There is lint inside the dryer that can catch fire", Usual: DangerNow,
		Ask: "Do not use the dryer until it has been cleaned. If you smell smoke, leave and call the fire service.",
		Look: []string{"Look at the cabinet, the heater box and the blower with the power off.", "Is any lint brown or black?",
			"Feel the cabinet and the wall ten minutes after a hot run."},
		Do: []string{"Vacuum before a hot run.", "No run with covers off and lint in.", "Do not leave a run; keep an extinguisher to hand.",
			"Carry scorched or smouldering lint outside."},
		Mark: HazardPractice},
	{ID: "scorching", Name: "Scorch marks", Plain: "There are scorch marks or signs of burning", Usual: DangerNow,
		Ask:  "Do not use the appliance. If you smell smoke, leave and call the fire service.",
		Look: []string{"Wires, lugs, boards, the heater box, the wall behind."},
		Do:   []string{"Isolate the unit.", "Find what got hot and why before anything is fitted new."},
		Mark: HazardPractice},
	{ID: "plastic_or_foil_duct", Name: "Plastic or foil duct", Plain: "The exhaust duct is of plastic or foil", Usual: AtRisk,
		Ask: "Have it replaced by a metal duct before the dryer is used again.",
		Look: []string{"White vinyl or plastic anywhere is never right.", "Foil: one listed piece of at most 8 feet, not concealed.",
			"Many makers forbid foil."},
		Do:   []string{"Fit rigid or semi-rigid metal.", "Plastic duct: leave the dryer out of service until it is gone."},
		Mark: HazardPublished, Source: "IRC 2021, M1502.4.1 and M1502.4.3; check local code"},
	{ID: "blocked_run", Name: "Blocked exhaust run", Plain: "The exhaust duct is blocked", Usual: AtRisk,
		Ask:  "Do not use the dryer until the duct has been cleared.",
		Look: []string{"Air at the hood, flap, bird screen, crushed duct behind the machine.", "Compare the run on its duct and off it: an electric dryer only."},
		Do:   []string{"Clean the run to the outside.", "Never run a gas dryer with its vent off."},
		Mark: HazardPractice},
	{ID: "vents_indoors", Name: "Exhaust does not go outdoors", Plain: "The exhaust air does not go outdoors", Usual: AtRisk,
		Ask:  "Have the exhaust led outdoors. Damp air and lint must not stay in the building.",
		Look: []string{"Attic, crawl space, garage, a bucket indoors.", "A gas dryer that vents indoors brings carbon monoxide: danger_now."},
		Do:   []string{"Lead it outdoors by local code.", "A gas dryer stays out of service until that is done."},
		Mark: HazardPublished, Source: "IRC 2021, M1502.3; check local code"},
	{ID: "hot_parts", Name: "Hot parts", Plain: "Parts that can be touched get hot enough to burn", Usual: AtRisk,
		Ask:  "Keep children away, and let the appliance cool before you touch it.",
		Look: []string{"Heater box, element, igniter, oven walls, compressor pipes.", "A self-cleaning oven's latch stays locked while it is hot."},
		Do:   []string{"Let a heater box or an element cool for 10 to 15 minutes.", "Never force a latch that is locked hot."},
		Mark: HazardPractice},
}

var bodyHazards = []HazardKind{
	{ID: "sharp_edges", Name: "Sharp sheet metal or broken glass", Plain: "There are sharp edges or broken glass", Usual: AtRisk,
		Ask:  "Do not reach into the appliance, and keep children away.",
		Look: []string{"Cabinet edges, brackets, fins of an evaporator, a cracked door or cooktop."},
		Do:   []string{"Wear cut gloves.", "Cover broken glass, and take the unit out of service if it can fall out."},
		Mark: HazardPractice},
	{ID: "water_leak", Name: "Water leak", Plain: "Water is leaking", Usual: AtRisk,
		Ask:  "Shut the water tap of the appliance, and do not use it.",
		Look: []string{"Find the shut-off before you open anything.", "Hoses, clamps, pump, seals, drain."},
		Do:   []string{"Shut the water and mend it.", "Watch every opened joint for drips for five minutes.", "Take photographs."},
		Mark: HazardPractice},
	{ID: "water_damage", Name: "Damage by water", Plain: "There is damage by water", Usual: AtRisk,
		Ask:  "Keep the water shut off and stay away from wet electrical parts.",
		Look: []string{"Floor, wall, ceiling below, swollen wood, mould."},
		Do:   []string{"Take photographs before work begins.", "Tell the customer in writing."},
		Mark: HazardPractice},
	{ID: "tip_over", Name: "Tip-over", Plain: "The appliance can tip over", Usual: DangerNow,
		Ask: "Keep children away, and do not lean or load anything on its open door.",
		Look: []string{"Is the range's anti-tip bracket there and engaged?", "Pull at the range.",
			"Is the refrigerator or the dishwasher fixed as the maker says?"},
		Do:   []string{"Fit or engage the bracket again and pull against it.", "Do this each time a range was moved."},
		Mark: HazardFromMemory, Source: "product safety standard for ranges, from memory"},
	{ID: "unstable_stack", Name: "Stack or feet not safe", Plain: "The appliance does not stand safely", Usual: AtRisk,
		Ask:  "Do not use the appliance until it stands firmly, and keep children away.",
		Look: []string{"The stack kit of a dryer on a washer.", "All four feet, locknuts, shipping bolts, the floor."},
		Do:   []string{"Fit the maker's stack kit.", "Level the feet and lock them."},
		Mark: HazardPractice},
	{ID: "two_person_lift", Name: "Two-person lift", Plain: "The appliance is too heavy or too high for one person to move", Usual: AtRisk,
		Ask:  "Do not move the appliance yourself.",
		Look: []string{"Ask when booking: stacked, wall oven, refrigerator, stairs?"},
		Do:   []string{"Send two people.", "Do not begin alone."},
		Mark: HazardPractice},
	{ID: "ladder_or_roof", Name: "Ladder or roof work", Plain: "The work needs a ladder or goes onto a roof", Usual: AtRisk,
		Ask:  "Do not go onto the roof or up a ladder yourself.",
		Look: []string{"Ask when booking: where does the duct end?", "Weather, height, power lines."},
		Do:   []string{"Only by the shop's own rule for ladders and roofs.", "Without one, leave it to a roofer or a duct firm."},
		Mark: HazardPractice},
	{ID: "other", Name: "Another hazard", Plain: "Another danger was found", Ask: "Follow what the technician told you.", Usual: AtRisk,
		Look: []string{"What could hurt somebody or the house?"},
		Do:   []string{"Describe it so that the customer understands.", "Isolate the unit if you doubt.", "Local code, licensed trades and the maker's instructions come first."},
		Mark: HazardPractice},
}
