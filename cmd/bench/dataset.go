package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"golang.org/x/sync/errgroup"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/care"
	"drumline/domain/customers"
	"drumline/domain/once"
	"drumline/domain/people"
	"drumline/domain/repair"
	"drumline/domain/supplements"
	"drumline/shared/pg"
)

// dataset is one invented shop. Its visits, calls and isolations carry numbers
// for ids, because pgbench can count and cannot remember.
type dataset struct {
	shop     domain.ID
	techs    []tech
	keyFile  string
	filledAt time.Time // everything of a round is later
	calls    int       // of each tech
	readings int       // of each call
	values   int       // of the data sheet
}

// tech is one client at work: its visits are those numbered from n × calls on.
type tech struct {
	n                          int
	token                      string
	p                          domain.Principal
	instrument                 domain.ID
	visits, called, isolations []domain.ID // as first made, before they were numbered
}

// Beginnings of numbered ids; the number follows in 16 hexadecimal digits.
const (
	visitIDs     = "0190000000007001"
	callIDs      = "0190000000007002"
	isolationIDs = "0190000000007003"
)

// numbered is the id with number n.
func numbered(beginning string, n int) domain.ID {
	s := beginning + fmt.Sprintf("%016x", n)
	id, err := domain.ParseID(s[:8] + "-" + s[8:12] + "-" + s[12:16] + "-" + s[16:20] + "-" + s[20:])
	if err != nil {
		panic(err) // the constants above are wrong
	}
	return id
}

const (
	issuer   = "drumline-bench"
	password = "correct horse 42"
	code     = "bench"
	model    = "QX-410"
	kindID   = "electric_dryer"
)

// shopkeeper fills the shop through the service's own use cases.
type shopkeeper struct {
	people    *people.Service
	customers *customers.Service
	calls     *calls.Service
	repair    *repair.Service
	owner     domain.Principal
}

// fill makes the shop: a tech for each client, each with calls of their own on
// site, and one data sheet for all. Filling need not be durable.
func fill(ctx context.Context, d *database, dir string, o Options) (*dataset, error) {
	data := &dataset{keyFile: filepath.Join(dir, "keys.json"), calls: o.Calls, readings: len(before) + len(after), techs: make([]tech, o.Clients)}
	db, err := pg.Open(ctx, d.appURL+"&synchronous_commit=off", pg.Options{Access: people.Access})
	if err != nil {
		return nil, err
	}
	defer db.Close()
	k, err := newShopkeeper(db, data.keyFile)
	if err != nil {
		return nil, err
	}
	if err := k.open(ctx, data); err != nil {
		return nil, err
	}
	for i := range data.techs {
		if data.techs[i], err = k.hire(ctx, i); err != nil {
			return nil, err
		}
	}
	group, inner := errgroup.WithContext(ctx)
	group.SetLimit(8)
	for i := range data.techs {
		group.Go(func() error { return k.work(inner, data, &data.techs[i]) })
	}
	if err := group.Wait(); err != nil {
		return nil, err
	}
	data.filledAt = time.Now()
	return data, d.number(ctx, data)
}

func newShopkeeper(db *pg.DB, keyFile string) (*shopkeeper, error) {
	cat, err := catalogue.Open()
	if err != nil {
		return nil, err
	}
	keys, err := people.LoadKeyring(issuer, keyFile, time.Now())
	if err != nil {
		return nil, err
	}
	book := supplements.NewBook(cat)
	return &shopkeeper{
		people:    &people.Service{DB: db, Keys: keys, Hasher: people.NewWeakHasher(), Now: time.Now, AccessLife: 24 * time.Hour},
		customers: &customers.Service{DB: db, Catalogues: book, Now: time.Now, UnitInUse: calls.OpenOfUnit, UnitChanged: care.StaleUnit, SiteChanged: care.StaleSite},
		calls:     &calls.Service{DB: db, Catalogues: book, Now: time.Now},
		repair:    &repair.Service{DB: db, Catalogues: book, Now: time.Now},
	}, nil
}

// newKey is a key no other request has. A request that begins with 0 would
// sweep old keys.
func newKey() once.Key {
	k := once.Key{Route: "bench", Key: domain.NewID(time.Now()).String()}
	k.Request[0] = 1
	return k
}

func (k *shopkeeper) open(ctx context.Context, data *dataset) error {
	shop, _, err := k.people.CreateShop(ctx, people.NewShop{Code: code, Name: "Bench", TimeZone: "America/Denver", OwnerName: "Owner",
		Email: "owner@bench.example", Password: password})
	if err != nil {
		return err
	}
	data.shop = shop.ID
	t, err := k.people.SignIn(ctx, code, "owner@bench.example", password)
	if err != nil {
		return err
	}
	if k.owner, err = k.principal(t); err != nil {
		return err
	}
	sheet, _, err := k.customers.CreateSheet(ctx, k.owner, newKey(), customers.DataSheet{Kind: kindID, Model: model})
	if err != nil {
		return err
	}
	for _, v := range sheetValues {
		v.Origin = "tech sheet, page 2"
		if _, err := k.customers.PutValue(ctx, k.owner, sheet.ID, v); err != nil {
			return err
		}
	}
	data.values = len(sheetValues)
	return nil
}

// sheetValues are invented.
var sheetValues = []customers.NewValue{
	{Parameter: "cycling_thermostat_rating", Unit: "[degF]", Entered: customers.EnteredValue{Value: "155"}},
	{Parameter: "high_limit_rating", Unit: "[degF]", Entered: customers.EnteredValue{Value: "250"}},
	{Parameter: "outlet_off_high", Unit: "[degF]", Entered: customers.EnteredValue{Low: "145", High: "160"}},
	{Parameter: "back_pressure_max", Unit: "[in_i'H2O]", Entered: customers.EnteredValue{High: "0.6"}},
	{Parameter: "motor_current", Unit: "A", Entered: customers.EnteredValue{High: "6.5"}},
	{Parameter: "bias_heater_resistance", Unit: "Ohm", Entered: customers.EnteredValue{Low: "5600", High: "8400"}},
	{Parameter: "coil_resistance", Unit: "Ohm", Entered: customers.EnteredValue{Value: "10.5", Percent: "7"}},
}

func (k *shopkeeper) principal(t people.Tokens) (domain.Principal, error) {
	p, err := k.people.Authenticate(t.Access)
	p.Needs = domain.Anyone()
	return p, err
}

func (k *shopkeeper) hire(ctx context.Context, n int) (tech, error) {
	w := tech{n: n}
	name := "tech" + strconv.Itoa(n+1)
	inv, _, err := k.people.Invite(ctx, k.owner, newKey(), people.NewInvitation{Name: name, Email: name + "@bench.example", Role: domain.Tech})
	if err != nil {
		return w, err
	}
	t, err := k.people.Accept(ctx, inv.Token, password)
	if err != nil {
		return w, err
	}
	w.token = t.Access
	if w.p, err = k.principal(t); err != nil {
		return w, err
	}
	meter, _, err := k.customers.CreateInstrument(ctx, w.p, newKey(), customers.Instrument{Name: "Multimeter", CalibrationDueOn: domain.DateOf(time.Now().AddDate(1, 0, 0)),
		Accuracies: []customers.Accuracy{{Quantity: "resistance", Method: "meter", Percent: 0.9, Counts: 2, Resolution: 0.01, Unit: "Ohm"}}})
	w.instrument = meter.ID
	return w, err
}

// work opens a tech's calls and takes the first readings of each.
func (k *shopkeeper) work(ctx context.Context, data *dataset, w *tech) error {
	for n := range data.calls {
		if err := k.call(ctx, w, n); err != nil {
			return err
		}
	}
	return nil
}

func (k *shopkeeper) call(ctx context.Context, w *tech, n int) error {
	unit, err := k.unit(ctx, n)
	if err != nil {
		return err
	}
	call, _, err := k.calls.OpenCall(ctx, k.owner, newKey(), calls.NewCall{UnitID: unit, Complaint: "runs_too_hot"})
	if err != nil {
		return err
	}
	at := time.Now().Truncate(time.Minute).Add(time.Duration(n) * time.Hour)
	visit, _, err := k.calls.Book(ctx, k.owner, newKey(), call.ID, calls.NewVisit{TechID: w.p.Person, StartsAt: at, EndsAt: at.Add(time.Hour)}, calls.Guard{})
	if err != nil {
		return err
	}
	for _, to := range []calls.VisitStatus{calls.OnTheWay, calls.OnSite} {
		if _, err := k.calls.SetVisitStatus(ctx, w.p, visit.ID, domain.AnyVersion, to, ""); err != nil {
			return err
		}
	}
	return k.attend(ctx, w, call.ID, visit.ID)
}

func (k *shopkeeper) unit(ctx context.Context, n int) (domain.ID, error) {
	cu, _, err := k.customers.CreateCustomer(ctx, k.owner, newKey(), customers.Customer{Name: "Customer " + strconv.Itoa(n)})
	if err != nil {
		return domain.ID{}, err
	}
	site, _, err := k.customers.CreateSite(ctx, k.owner, newKey(), customers.Site{CustomerID: cu.ID, Address: strconv.Itoa(n) + " Mill Road", TimeZone: "America/Denver"})
	if err != nil {
		return domain.ID{}, err
	}
	unit, _, err := k.customers.CreateUnit(ctx, k.owner, newKey(), customers.Unit{SiteID: site.ID, Kind: kindID, Model: model,
		Features: []string{"bias_heater", "low_setting"}})
	return unit.ID, err
}

// before and after are a call's readings on the running and on the dead
// machine; the last kind is the one that is measured.
var (
	before = []repair.NewReading{
		{Check: "hood_look", Values: []repair.NewValue{{Input: "result", Choice: "full_flow"}}},
		{Check: "as_found_run", Values: []repair.NewValue{several("off_temperature", "[degF]", 182, 184.5, 183), several("on_temperature", "[degF]", 164, 165),
			{Input: "setting", Choice: "high"}, {Input: "load", Choice: "empty"}}},
	}
	after = []repair.NewReading{
		{Check: "cycling_thermostat_warm_up", Position: "heat_pair", Values: []repair.NewValue{one("last_closed", "[degF]", 184), one("first_open", "[degF]", 186),
			one("minutes", "min", 6), {Input: "recloses", Choice: "yes"}}},
		{Check: "bias_heater", Values: []repair.NewValue{one("resistance", "Ohm", 7000), {Input: "wires_off", Choice: "yes"}}},
	}
)

func figure(x float64) repair.Figure {
	return repair.Figure{Text: strconv.FormatFloat(x, 'g', -1, 64), Value: x}
}

func one(input, unit string, x float64) repair.NewValue {
	f := figure(x)
	return repair.NewValue{Input: input, Unit: unit, Value: &f}
}

func several(input, unit string, xs ...float64) repair.NewValue {
	v := repair.NewValue{Input: input, Unit: unit}
	for _, x := range xs {
		v.Values = append(v.Values, figure(x))
	}
	return v
}

func (k *shopkeeper) attend(ctx context.Context, w *tech, call, visit domain.ID) error {
	if err := k.read(ctx, w, visit, before); err != nil {
		return err
	}
	i, _, err := k.repair.Isolate(ctx, w.p, newKey(), visit, repair.NewIsolation{Method: "plug_in_hand", TesterBefore: true, TesterAfter: true,
		ProvenDead: []string{"l1_l2", "l1_ground", "l2_ground"}})
	if err != nil {
		return err
	}
	w.visits, w.called, w.isolations = append(w.visits, visit), append(w.called, call), append(w.isolations, i.ID)
	return k.read(ctx, w, visit, after)
}

func (k *shopkeeper) read(ctx context.Context, w *tech, visit domain.ID, ns []repair.NewReading) error {
	for _, n := range ns {
		n.Phase, n.InstrumentID = diagnosis.AsFound, w.instrument
		if _, _, err := k.repair.Record(ctx, w.p, newKey(), visit, n); err != nil {
			return fmt.Errorf("%s: %w", n.Check, err)
		}
	}
	return nil
}

// number gives visits, calls and isolations their numbered ids, wherever they
// stand, and lists for pgbench who its clients are.
func (d *database) number(ctx context.Context, data *dataset) error {
	tx, err := d.admin.Begin(ctx)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback(ctx) }() // after Commit this does nothing
	if err := numberIn(ctx, tx, data); err != nil {
		return err
	}
	return tx.Commit(ctx)
}

func numberIn(ctx context.Context, tx pgx.Tx, data *dataset) error {
	b := &pgx.Batch{}
	b.Queue(`SET LOCAL session_replication_role = replica`) // keys and what refers to them move together
	b.Queue(`CREATE TEMP TABLE renamed (old uuid PRIMARY KEY, new uuid) ON COMMIT DROP`)
	b.Queue(`CREATE TABLE bench_client (n int PRIMARY KEY, person uuid, session uuid, instrument uuid)`)
	b.Queue(`GRANT SELECT ON bench_client TO drumline_app`)
	if err := tx.SendBatch(ctx, b).Close(); err != nil {
		return err
	}
	b = &pgx.Batch{}
	for _, w := range data.techs {
		b.Queue(`INSERT INTO bench_client VALUES ($1, $2, $3, $4)`, w.n, w.p.Person.String(), w.p.Session.String(), w.instrument.String())
		for _, ids := range []struct {
			beginning string
			old       []domain.ID
		}{{visitIDs, w.visits}, {callIDs, w.called}, {isolationIDs, w.isolations}} {
			for i, old := range ids.old {
				b.Queue(`INSERT INTO renamed VALUES ($1, $2)`, old.String(), numbered(ids.beginning, w.n*data.calls+i).String())
			}
		}
	}
	if err := tx.SendBatch(ctx, b).Close(); err != nil {
		return err
	}
	return rename(ctx, tx)
}

// rename replaces old ids by new ones in every column that can hold one.
func rename(ctx context.Context, tx pgx.Tx) error {
	rows, err := tx.Query(ctx, `SELECT format('UPDATE %I.%I t SET %I = r.new FROM renamed r WHERE t.%I = r.old', n.nspname, c.relname, a.attname, a.attname)
		FROM pg_attribute a JOIN pg_class c ON c.oid = a.attrelid JOIN pg_namespace n ON n.oid = c.relnamespace
		WHERE n.nspname = 'public' AND c.relkind = 'r' AND a.atttypid = 'uuid'::regtype AND NOT a.attisdropped AND a.attgenerated = ''`)
	if err != nil {
		return err
	}
	updates, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return err
	}
	if len(updates) == 0 {
		return errors.New("the schema has no ids")
	}
	for _, sql := range updates {
		if _, err := tx.Exec(ctx, sql); err != nil {
			return fmt.Errorf("%s: %w", sql, err)
		}
	}
	return nil
}
