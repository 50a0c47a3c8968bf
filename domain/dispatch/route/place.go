// Package route puts the stops of one tech's day in order and finds room for
// one more. Travel is an estimate by great circle, detour and speed; a day of up
// to ExactStops is solved exactly. It knows no clock and no map.
package route

import (
	"math"
	"time"

	"drumline/domain"
)

// The defaults of Roads: common practice for vans in and around a town, no
// source. A shop that knows better sets its own.
const (
	UsualDetour    = 1.3              // road length over the straight line
	UsualKmPerHour = 40.0             // on average, with lights and parking
	UsualTravel    = 20 * time.Minute // between places one of which is unknown
)

// EarthKm is the mean radius of the Earth (IUGG R1, rounded), km.
const EarthKm = 6371.0088

// longest bounds the travel between two places, so that no sum of a day's
// seconds leaves its type: about 48 days.
const longest = 1 << 22

// Place is a point on the Earth in degrees. The zero value is an unknown place.
type Place struct {
	Lat, Lon float64
	Known    bool
}

// At is the known place at a latitude and longitude in degrees.
func At(lat, lon float64) Place { return Place{Lat: lat, Lon: lon, Known: true} }

// Check adds a problem for coordinates off the Earth, NaN among them.
func (p Place) Check(ps *domain.Problems, pointer string) {
	if p.Known && !(math.Abs(p.Lat) <= 90 && math.Abs(p.Lon) <= 180) {
		ps.Add(pointer, "range", "A latitude is -90 to 90 degrees, a longitude -180 to 180.")
	}
}

// Roads says how travel is estimated. A zero field takes its default.
type Roads struct {
	Detour    float64       // at least 1; default UsualDetour
	KmPerHour float64       // default UsualKmPerHour
	Unknown   time.Duration // travel from or to an unknown place; default UsualTravel
}

// Check adds a problem for a detour below 1 or above 10, a speed outside 1 to
// 200 km/h, or an unknown travel outside 0 to 24 h. Zero fields are right.
func (r Roads) Check(ps *domain.Problems, pointer string) {
	r = r.usual()
	if !(r.Detour >= 1 && r.Detour <= 10) {
		ps.Add(pointer+"/detour", "range", "The road is 1 to 10 times the straight line.")
	}
	if !(r.KmPerHour >= 1 && r.KmPerHour <= 200) {
		ps.Add(pointer+"/km_per_hour", "range", "The average speed is 1 to 200 km/h.")
	}
	if r.Unknown < 0 || r.Unknown > 24*time.Hour {
		ps.Add(pointer+"/unknown", "range", "Travel to an unknown place is 0 to 24 hours.")
	}
}

func (r Roads) usual() Roads {
	if r.Detour == 0 {
		r.Detour = UsualDetour
	}
	if r.KmPerHour == 0 {
		r.KmPerHour = UsualKmPerHour
	}
	if r.Unknown == 0 {
		r.Unknown = UsualTravel
	}
	return r
}

// Travel is the estimated time from a to b, rounded up to whole seconds (so that
// a way round is never shorter than the way). False: one of them is unknown
// and the time is the default.
func (r Roads) Travel(a, b Place) (time.Duration, bool) {
	s, known := r.usual().seconds(a, b)
	return time.Duration(s) * time.Second, known
}

// seconds is Travel for Roads whose defaults are filled in.
func (r Roads) seconds(a, b Place) (int32, bool) {
	if !a.Known || !b.Known {
		return whole(r.Unknown.Seconds()), false
	}
	return whole(Km(a, b) * r.Detour / r.KmPerHour * 3600), true
}

// whole rounds up to seconds; what is not a number counts as the longest way.
func whole(s float64) int32 {
	if !(s <= longest) {
		return longest
	}
	return int32(math.Ceil(max(s, 0)))
}

// Km is the great-circle distance of two known places by the haversine formula,
// which is exact enough for neighbours and antipodes alike.
func Km(a, b Place) float64 {
	const degree = math.Pi / 180
	dLat, dLon := math.Sin((b.Lat-a.Lat)*degree/2), math.Sin((b.Lon-a.Lon)*degree/2)
	h := dLat*dLat + math.Cos(a.Lat*degree)*math.Cos(b.Lat*degree)*dLon*dLon
	return 2 * EarthKm * math.Asin(math.Sqrt(min(h, 1)))
}
