package seed

import (
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/repair"
)

// finish brings the call to the end it is meant to have.
func (w *work) finish(ctx context.Context) error {
	switch calls.Outcome(w.call.outcome) {
	case calls.ReturnedToService, calls.NoFaultFound:
		return w.mend(ctx)
	case calls.Declined:
		return w.end(ctx, w.tech.p, "The customer finds the repair too dear and wants to think about it.")
	case calls.NotWorthRepairing:
		return w.end(ctx, w.tech.p, "The drum bearing is worn out too; a repair would cost more than the machine is worth.")
	case calls.LeftOutOfService:
		return w.withNotice(ctx, repair.NewHazard{What: "scorching", Level: repair.DangerNow, Found: "Scorch marks on the heater box and on the cord.",
			Done: "Unplugged and labelled."}, "Unplugged, plug taped, label on the door: do not use.")
	case calls.Limited:
		return w.withNotice(ctx, repair.NewHazard{What: "vents_indoors", Level: repair.AtRisk, Found: "The exhaust ends in the crawl space.",
			Done: "Customer shown where it ends."}, "To be used on the air-only setting until the exhaust goes outdoors.")
	}
	return nil // still open
}

// withNotice leaves the unit as it is, with a written notice.
func (w *work) withNotice(ctx context.Context, n repair.NewHazard, note string) error {
	w.pass(5 * time.Minute)
	n.Told, n.NoticeGiven = w.call.unit.home.name, true
	if _, _, err := w.repair.FoundHazard(ctx, w.tech.p, w.key(), w.visit, n); err != nil {
		return err
	}
	return w.end(ctx, w.tech.p, note)
}

// mend puts the fault right, concludes, proves the machine and closes.
func (w *work) mend(ctx context.Context) error {
	faults := []string{w.call.fault}
	if w.call.barrier != "" {
		faults = append(faults, w.call.barrier)
	}
	for _, id := range faults {
		if err := w.put(ctx, id); err != nil {
			return err
		}
	}
	w.machine.fault, w.machine.barrier, w.machine.share = "", "", 0.97
	w.phase = diagnosis.Verification
	if err := w.prove(ctx); err != nil {
		return err
	}
	return w.end(ctx, w.tech.p, "")
}

// put does what mends a fault and draws the conclusion.
func (w *work) put(ctx context.Context, fault string) error {
	f, ok := w.plan.kind.Fault(fault)
	if !ok {
		return errNoKind
	}
	a, ok := w.plan.kind.Action(f.Fix)
	if !ok {
		return errNoKind
	}
	n := repair.NewAction{Action: a.ID}
	if slices.Contains(a.Touches, "chosen") {
		n.Part = f.Part
	}
	w.pass(time.Duration(f.Minutes/2) * time.Minute)
	done, _, err := w.repair.Act(ctx, w.tech.p, w.key(), w.visit, n)
	if err != nil {
		return err
	}
	return w.conclude(ctx, f, done.ID)
}

// conclude rests the conclusion on the readings as found. Where the engine is
// of another mind, the tech says why.
func (w *work) conclude(ctx context.Context, f *catalogue.Fault, action domain.ID) error {
	w.pass(2 * time.Minute)
	n := repair.NewConclusion{VisitID: w.visit, Part: f.Part, Fault: f.ID, ActionID: action, Readings: w.taken}
	if f.Fix == "replace_part" || f.Fix == "restore_barriers" {
		n.Fitted = []repair.FittedPart{{Number: strings.ToUpper(strings.ReplaceAll(f.Part, "_", "-")) + "-" + strconv.Itoa(10+w.r.IntN(80)),
			Name: w.partName(f.Part), Source: pick(w.r, []string{"new_maker", "new_maker", "new_other_maker"}), Lot: "L" + strconv.Itoa(100+w.r.IntN(900))}}
	}
	_, _, err := w.repair.Conclude(ctx, w.tech.p, w.key(), w.id, n)
	if domain.KindOf(err) == domain.Invalid && n.AgainstEvidence == "" {
		n.AgainstEvidence = "Seen on the open machine; the readings alone do not show it."
		_, _, err = w.repair.Conclude(ctx, w.tech.p, w.key(), w.id, n)
	}
	return err
}

func (w *work) partName(id string) string {
	if p, ok := w.plan.kind.Part(id); ok {
		return p.Name
	}
	return id
}

// prove does the checks of the closing list: the isolated ones while the
// machine is dead, then the runs.
func (w *work) prove(ctx context.Context) error {
	var dead, powered []*catalogue.Check
	for _, c := range w.plan.complaint.Closing {
		if len(c.AnyOf) == 0 || !w.machine.m.has(c.Has) {
			continue
		}
		ch, ok := w.plan.kind.Check(c.AnyOf[0])
		switch {
		case !ok:
			return errNoKind
		case ch.State == catalogue.Isolated:
			dead = append(dead, ch)
		default:
			powered = append(powered, ch)
		}
	}
	for _, ch := range append(dead, powered...) {
		if err := w.check(ctx, ch); err != nil {
			return err
		}
	}
	return nil
}

// end closes the call, with every statement of the closing list where the unit
// goes back into use.
func (w *work) end(ctx context.Context, p domain.Principal, note string) error {
	w.pass(10 * time.Minute)
	e := repair.End{Outcome: calls.Outcome(w.call.outcome), Note: note}
	if e.Outcome == calls.ReturnedToService {
		for _, c := range w.plan.complaint.Closing {
			if c.Statement != "" && w.machine.m.has(c.Has) {
				e.Statements = append(e.Statements, c.Statement)
			}
		}
	}
	_, err := w.repair.Close(ctx, p, w.id, domain.AnyVersion, e)
	return err
}
