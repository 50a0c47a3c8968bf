package repair_test

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

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
	"drumline/shared/pg/pgtest"
)

// BenchmarkRecord stores and judges one reading of a call that has twenty
// already: the transaction without the HTTP edge.
func BenchmarkRecord(b *testing.B) {
	db := pgtest.New(b)
	s, p, visit := site(b, db)
	admin, err := pgx.Connect(b.Context(), db.AdminURL)
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, admin.Close(context.Background())) })
	n := repair.NewReading{Check: "bias_heater", Phase: diagnosis.AsFound, Values: []repair.NewValue{
		{Input: "resistance", Value: &repair.Figure{Text: "7000", Value: 7000}, Unit: "Ohm"}, {Input: "wires_off", Choice: "yes"}}}
	record := func() repair.Recorded {
		got, _, err := s.Record(b.Context(), p, key(), visit, n)
		require.NoError(b, err)
		return got
	}
	_, _, err = s.Isolate(b.Context(), p, key(), visit, repair.NewIsolation{Method: "plug_in_hand", TesterBefore: true,
		ProvenDead: []string{"l1_l2", "l1_ground", "l2_ground"}, TesterAfter: true})
	require.NoError(b, err)
	for range 20 {
		record()
	}
	for b.Loop() {
		got := record()
		b.StopTimer() // the call keeps its twenty
		for _, table := range []string{"verdict", "reading_value"} {
			_, err := admin.Exec(b.Context(), `DELETE FROM `+table+` WHERE reading_id = $1::text::uuid`, got.Reading.ID.String())
			require.NoError(b, err)
		}
		_, err := admin.Exec(b.Context(), `DELETE FROM reading WHERE id = $1::text::uuid`, got.Reading.ID.String())
		require.NoError(b, err)
		b.StartTimer()
	}
}

func key() once.Key { return once.Key{Route: "bench", Key: domain.NewID(time.Now()).String()} }

// site is a shop whose owner is at a dryer.
func site(b *testing.B, base *pgtest.DB) (*repair.Service, domain.Principal, domain.ID) {
	b.Helper()
	ctx, now := b.Context(), time.Now
	db, err := pg.Open(ctx, base.AppURL, pg.Options{Access: people.Access})
	require.NoError(b, err)
	b.Cleanup(db.Close)
	cat, err := catalogue.Open()
	require.NoError(b, err)
	who := &people.Service{DB: db, Keys: people.NewKeyring("bench", "k"), Hasher: people.NewWeakHasher(), Now: now, AccessLife: time.Hour}
	_, _, err = who.CreateShop(ctx, people.NewShop{Code: "bench", Name: "Bench", TimeZone: "UTC", OwnerName: "O", Email: "o@bench.example", Password: "correct horse 42"})
	require.NoError(b, err)
	session, err := who.SignIn(ctx, "bench", "o@bench.example", "correct horse 42")
	require.NoError(b, err)
	p, err := who.Authenticate(session.Access)
	require.NoError(b, err)
	p.Needs = domain.Anyone()
	goods := &customers.Service{DB: db, Catalogues: supplements.NewBook(cat), Now: now, UnitInUse: calls.OpenOfUnit, UnitChanged: care.StaleUnit, SiteChanged: care.StaleSite, UnitsOfTech: calls.UnitsOfTech}
	customer, _, err := goods.CreateCustomer(ctx, p, key(), customers.Customer{Name: "C"})
	require.NoError(b, err)
	house, _, err := goods.CreateSite(ctx, p, key(), customers.Site{CustomerID: customer.ID, Address: "A", TimeZone: "UTC"})
	require.NoError(b, err)
	unit, _, err := goods.CreateUnit(ctx, p, key(), customers.Unit{SiteID: house.ID, Kind: "electric_dryer", Features: []string{"bias_heater"}})
	require.NoError(b, err)
	work := &calls.Service{DB: db, Catalogues: supplements.NewBook(cat), Now: now}
	call, _, err := work.OpenCall(ctx, p, key(), calls.NewCall{UnitID: unit.ID, Complaint: "runs_too_hot"})
	require.NoError(b, err)
	visit, _, err := work.Book(ctx, p, key(), call.ID, calls.NewVisit{StartsAt: now(), EndsAt: now().Add(time.Hour)}, calls.Guard{})
	require.NoError(b, err)
	return &repair.Service{DB: db, Catalogues: supplements.NewBook(cat), Now: now}, p, visit.ID
}
