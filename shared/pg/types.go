package pg

import (
	"github.com/jackc/pgx/v5/pgtype"

	"drumline/domain"
)

type idValue domain.ID

// UUIDValue makes a domain.ID a uuid; the zero id NULL.
func (v idValue) UUIDValue() (pgtype.UUID, error) {
	return pgtype.UUID{Bytes: v, Valid: v != idValue{}}, nil
}

// ScanUUID reads a uuid; NULL as the zero id.
func (v *idValue) ScanUUID(u pgtype.UUID) error {
	*v = idValue{}
	if u.Valid {
		*v = u.Bytes
	}
	return nil
}

type dateValue domain.Date

// DateValue makes a domain.Date a date; the zero date NULL.
func (v dateValue) DateValue() (pgtype.Date, error) {
	d := domain.Date(v)
	return pgtype.Date{Time: d.Time(), Valid: !d.IsZero()}, nil
}

// ScanDate reads a date; NULL as the zero date.
func (v *dateValue) ScanDate(d pgtype.Date) error {
	*v = dateValue{}
	if d.Valid {
		*v = dateValue(domain.DateOf(d.Time))
	}
	return nil
}

func wrapEncode(value any) (pgtype.WrappedEncodePlanNextSetter, any, bool) {
	switch v := value.(type) {
	case domain.ID:
		return &encodePlan{}, idValue(v), true
	case domain.Date:
		return &encodePlan{}, dateValue(v), true
	}
	return nil, nil, false
}

type encodePlan struct{ next pgtype.EncodePlan }

// SetNext is called by the type map with the plan for the wrapped value.
func (p *encodePlan) SetNext(next pgtype.EncodePlan) { p.next = next }

// Encode writes the wrapped value.
func (p *encodePlan) Encode(value any, buf []byte) ([]byte, error) {
	switch v := value.(type) {
	case domain.ID:
		return p.next.Encode(idValue(v), buf)
	case domain.Date:
		return p.next.Encode(dateValue(v), buf)
	}
	return p.next.Encode(value, buf)
}

func wrapScan(target any) (pgtype.WrappedScanPlanNextSetter, any, bool) {
	switch v := target.(type) {
	case *domain.ID:
		return &scanPlan{}, (*idValue)(v), true
	case *domain.Date:
		return &scanPlan{}, (*dateValue)(v), true
	}
	return nil, nil, false
}

type scanPlan struct{ next pgtype.ScanPlan }

// SetNext is called by the type map with the plan for the wrapped target.
func (p *scanPlan) SetNext(next pgtype.ScanPlan) { p.next = next }

// Scan reads into the wrapped target.
func (p *scanPlan) Scan(src []byte, target any) error {
	switch v := target.(type) {
	case *domain.ID:
		return p.next.Scan(src, (*idValue)(v))
	case *domain.Date:
		return p.next.Scan(src, (*dateValue)(v))
	}
	return p.next.Scan(src, target)
}
