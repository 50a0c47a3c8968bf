package seed

import (
	"context"
	"math/rand/v2"
	"slices"
	"time"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/repair"
)

// work is one call being played, from the telephone to the closing.
type work struct {
	*hand
	plan    *plan
	call    *call
	crew    *crew
	r       *rand.Rand
	id      domain.ID
	visit   domain.ID
	tech    tech
	machine *machine
	phase   diagnosis.Phase
	dead    bool        // isolated and proven so at this visit
	taken   []domain.ID // readings as found
}

func (w *work) play(ctx context.Context) error {
	c, p := w.call, w.plan
	d, _, err := w.calls.OpenCall(ctx, w.crew.dispatcher, w.key(), calls.NewCall{UnitID: c.unit.id, Complaint: complaintID,
		Description: pick(w.r, complaints), Triage: p.triage(w.r, c.fault)})
	if err != nil {
		return err
	}
	w.id = d.ID
	w.machine, w.phase = newMachine(c.unit.model, c.fault, c.barrier, w.r), diagnosis.AsFound
	if c.outcome == "cancelled" {
		return w.cancel(ctx)
	}
	for i, v := range c.visits {
		if err := w.attend(ctx, v, i == len(c.visits)-1); err != nil {
			return err
		}
	}
	return nil
}

// cancel is a customer who changes their mind.
func (w *work) cancel(ctx context.Context) error {
	if err := w.book(ctx, w.call.visits[0]); err != nil {
		return err
	}
	w.pass(3 * time.Hour)
	_, err := w.calls.CancelCall(ctx, w.crew.dispatcher, w.id, domain.AnyVersion, "The customer has bought a new one.")
	return err
}

func (w *work) book(ctx context.Context, v window) error {
	w.tech, w.dead = w.crew.techs[v.tech], false
	if w.pass(20 * time.Minute); w.now.After(w.o.Now) {
		w.now = w.o.Now
	}
	got, _, err := w.calls.Book(ctx, w.crew.dispatcher, w.key(), w.id, calls.NewVisit{TechID: w.tech.p.Person, StartsAt: v.starts, EndsAt: v.starts.Add(visitLength)}, calls.Guard{})
	w.visit = got.ID
	return err
}

// attend plays one visit. What would end after now is only booked.
func (w *work) attend(ctx context.Context, v window, last bool) error {
	if err := w.book(ctx, v); err != nil || v.starts.Add(visitLength).After(w.o.Now) {
		return err
	}
	w.now = v.starts.Add(-20 * time.Minute)
	if err := w.status(ctx, calls.OnTheWay, ""); err != nil {
		return err
	}
	w.pass(time.Duration(15+w.r.IntN(15)) * time.Minute)
	if w.call.outcome == "no_access" && last {
		return w.turnedAway(ctx)
	}
	if err := w.status(ctx, calls.OnSite, ""); err != nil {
		return err
	}
	if len(w.taken) == 0 {
		if err := w.findOut(ctx); err != nil {
			return err
		}
	}
	if !last {
		return w.waitForPart(ctx)
	}
	if err := w.finish(ctx); err != nil {
		return err
	}
	return w.status(ctx, calls.Done, "")
}

func (w *work) waitForPart(ctx context.Context) error {
	waits := calls.WaitingForParts
	if _, err := w.calls.ChangeCall(ctx, w.crew.dispatcher, w.id, domain.AnyVersion, calls.Change{Status: &waits}); err != nil {
		return err
	}
	return w.status(ctx, calls.Done, "")
}

func (w *work) turnedAway(ctx context.Context) error {
	if err := w.status(ctx, calls.VisitNoAccess, "Nobody opened."); err != nil {
		return err
	}
	w.pass(time.Hour)
	return w.end(ctx, w.crew.dispatcher, "Nobody opened and nobody answered the telephone.")
}

func (w *work) status(ctx context.Context, to calls.VisitStatus, reason string) error {
	w.pass(time.Minute)
	_, err := w.calls.SetVisitStatus(ctx, w.tech.p, w.visit, domain.AnyVersion, to, reason)
	return err
}

// found are the checks on the machine as it stands, in the order of the work:
// powered and looked at first, isolated afterwards.
var (
	always = []string{"lint_screen", "hood_look", "air_only_run", "as_found_run"}
	byPart = map[string][]string{
		"exhaust_run": {"hood", "collar_pressure", "duct_off_run", "duct_and_box"}, "transition_duct": {"collar_pressure", "duct_off_run", "duct_and_box"},
		"hood": {"hood", "collar_pressure"}, "heater_box": {"hood", "collar_pressure", "duct_and_box"}, "lint_screen": {"hood"},
		"blower": {"hood", "collar_pressure", "blower_wheel"}, "blower_seal": {"hood", "collar_pressure", "blower_wheel"},
		"drum_seals": {"drum_seals", "blower_wheel"}, "drum_drive": {"drum_seals"}, "heating_coil": {"coil_to_case", "coil_ends", "heater_current"},
		"heat_relay": {"coil_to_case", "heat_relay"}, "selector": {"low_setting_cycle", "bias_heater"}, "bias_heater": {"low_setting_cycle", "bias_heater"},
		"cycling_thermostat": {"coil_to_case", "cycling_thermostat_stamp", "cycling_thermostat_closed", "cycling_thermostat_warm_up"},
		"thermistor":         {"coil_to_case", "thermistor_seat", "thermistor"}, "moisture_bars": {"moisture_bars", "low_setting_cycle"},
		"use": {"low_setting_cycle", "hood"},
	}
	order = []string{"lint_screen", "moisture_bars", "hood_look", "air_only_run", "as_found_run", "low_setting_cycle", "hood", "collar_pressure", "duct_off_run", "heater_current",
		"duct_and_box", "safety_devices", "blower_wheel", "drum_seals", "coil_to_case", "coil_ends", "heat_relay", "high_limit", "cut_off", "frame_ground",
		"cycling_thermostat_stamp", "cycling_thermostat_closed", "bias_heater", "thermistor_seat", "thermistor", "high_limit_warm_up", "cycling_thermostat_warm_up"}
)

// findOut takes the readings of the machine as found.
func (w *work) findOut(ctx context.Context) error {
	f, ok := w.plan.kind.Fault(w.call.fault)
	if !ok {
		return errNoKind
	}
	wanted := append(slices.Clone(always), byPart[f.Part]...)
	if w.call.barrier != "" {
		wanted = append(wanted, "safety_devices", "high_limit_warm_up")
	}
	if w.r.IntN(3) == 0 {
		wanted = append(wanted, "high_limit", "cut_off")
	}
	return w.measure(ctx, wanted)
}

// measure does the checks of a list in working order, powered ones first.
func (w *work) measure(ctx context.Context, wanted []string) error {
	for _, id := range order {
		ch, ok := w.plan.kind.Check(id)
		if !ok || !slices.Contains(wanted, id) || !w.machine.m.fits(ch.Has, ch.Lacks) {
			continue
		}
		if err := w.check(ctx, ch); err != nil {
			return err
		}
	}
	return nil
}

func (w *work) isolate(ctx context.Context) error {
	w.pass(4 * time.Minute)
	w.dead = true
	_, _, err := w.repair.Isolate(ctx, w.tech.p, w.key(), w.visit, repair.NewIsolation{Method: "plug_in_sight", TesterBefore: true, TesterAfter: true,
		ProvenDead: []string{"l1_l2", "l1_ground", "l2_ground"}})
	return err
}

// check does one check at each of its positions, on a dead machine where it
// asks for one.
func (w *work) check(ctx context.Context, ch *catalogue.Check) error {
	switch ch.State {
	case catalogue.Isolated:
		if !w.dead {
			if err := w.isolate(ctx); err != nil {
				return err
			}
		}
	case catalogue.RunningClosed:
		w.dead = false // the run ends the isolation
	}
	positions := []string{}
	for _, p := range ch.Positions {
		if w.machine.m.fits(p.Has, p.Lacks) {
			positions = append(positions, p.ID)
		}
	}
	if len(ch.Positions) == 0 {
		positions = append(positions, "")
	}
	for _, at := range positions {
		if err := w.read(ctx, ch, at); err != nil {
			return err
		}
	}
	return nil
}

func (w *work) read(ctx context.Context, ch *catalogue.Check, position string) error {
	vs, ok := w.machine.observe(ch.ID, position)
	if !ok {
		return nil
	}
	w.pass(time.Duration(30+40*ch.Minutes*w.r.Float64()) * time.Second)
	n := repair.NewReading{Check: ch.ID, Position: position, Phase: w.phase, Values: vs}
	q := repair.MainQuantity(ch)
	n.InstrumentID = w.tech.instruments[string(q)]
	if q == "resistance" {
		n.Lead = &repair.NewFigure{Figure: figure(0.02, 2), Unit: "Ohm"}
	}
	got, _, err := w.repair.Record(ctx, w.tech.p, w.key(), w.visit, n)
	if err == nil && w.phase == diagnosis.AsFound {
		w.taken = append(w.taken, got.Reading.ID)
	}
	return err
}
