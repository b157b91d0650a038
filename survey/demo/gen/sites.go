package main

import (
	"time"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/survey"
)

// reference is the day the invented district is "now"; the demo moves every
// date by the days since.
var reference = time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)

func daysAgo(n int) survey.Opt[time.Time] { return survey.Known(reference.AddDate(0, 0, -n)) }

func site(code, name string, kind survey.SiteKind, g orb.Geometry, fill func(*survey.Site)) survey.Site {
	s := survey.Site{ID: code, Code: code, Name: name, District: "Ostrel Valley", Kind: kind, Geometry: g}
	fill(&s)
	return s
}

func signed(by string, ago int) survey.Review {
	return survey.Review{State: survey.Signed, By: by, At: daysAgo(ago), Due: daysAgo(ago - 365)}
}

func quillet(warn float64) survey.Water {
	return survey.Water{Gauge: "Quillet River at Ostrel Bridge", DatumM: survey.Known(geo.Length(228.4)), WarnStageM: survey.Known(geo.Length(warn))}
}

func sites() []survey.Site {
	bank := func(from, to, aside float64) orb.Geometry { return line(run(river, from, to, aside)) }
	return []survey.Site{
		site("QR-01", "Old Ferry Bank", "riverbank", bank(-1500, -1250, 42), func(s *survey.Site) {
			s.Access = "Ferry Lane to its end, then the gravel track north for 200 m. The gate is on a chain; cutters are in the gate box."
			s.Staging = "Turning circle at the end of Ferry Lane: two engines and the boat trailer."
			s.Hazards = []string{"Undercut bank for 40 m below the old ramp", "Strong eddy below the pier stubs", "Overhead line crosses the lane at the last pole"}
			s.Contacts = []survey.Contact{{Who: "Ferry Lane farm, N. Orrel", Phone: "555-0141", For: "gate and stock"}}
			s.Water, s.Review = quillet(3.1), signed("Chief T. Marrow", 35)
		}),
		site("QR-02", "Millrace Bend", "riverbank", bank(-950, -640, -42), func(s *survey.Site) {
			s.Access = "Mill Road, left behind the turbine house, along the race to the bend."
			s.Staging = "Turbine house yard, hard standing for three vehicles."
			s.Hazards = []string{"Millrace 2 m deep beside the track", "Gas main along the race", "Steep clay face, greasy when wet"}
			s.Contacts = []survey.Contact{{Who: "Turbine house, duty phone", Phone: "555-0162", For: "sluices and yard gate"}}
			s.Water, s.Review = quillet(2.8), signed("Chief T. Marrow", 20)
		}),
		site("QR-03", "Heron Slip", "riverbank", bank(-230, 20, 42), func(s *survey.Site) {
			s.Access = "Slip Street to the public ramp."
			s.Staging = "Ramp car park."
			s.Hazards = []string{"Sand bar shifts every spring", "Bank slumps when the river falls fast"}
			s.Water, s.Review = quillet(2.6), survey.Review{State: survey.Reviewed, By: "Lt. M. Esker", At: daysAgo(60)}
		}),
		site("QR-04", "Poplar Cut", "riverbank", bank(1050, 1350, -42), func(s *survey.Site) {
			s.Access = "County Road 9 to the pump station, on foot 150 m along the cut."
			s.Staging = "Pump station apron."
			s.Hazards = []string{"Pump intake: keep ropes clear", "Barbed wire along the crest"}
			s.Contacts = []survey.Contact{{Who: "Pump station, duty phone", Phone: "555-0118", For: "stopping the intake"}}
			s.Water, s.Review = quillet(3.0), signed("Chief T. Marrow", 75)
		}),
		site("BC-01", "Brask Creek Culvert", "culvert", place(creek(-120)), func(s *survey.Site) {
			s.Access = "Creek Street, at the low point."
			s.Staging = "Verge on the north side only; the south verge is soft."
			s.Hazards = []string{"Culvert draws hard in flood: nobody upstream without a line", "Storm drain covers lift"}
			s.Review = survey.Review{State: survey.Draft}
		}),
		site("RE-01", "County Road 9 Embankment", "embankment", line(run(roadNine, 500, 900, 6)), func(s *survey.Site) {
			s.Access = "County Road 9, kilometre 4. Close the downhill lane."
			s.Staging = "Lay-by at kilometre 3.8."
			s.Hazards = []string{"Traffic at speed", "Guard rail posts are set in fill", "Water main in the downhill verge"}
			s.Contacts = []survey.Contact{{Who: "County road yard", Phone: "555-0107", For: "lane closure"}}
			s.Review = signed("Chief T. Marrow", 15)
		}),
		site("RE-02", "Freight Spur Embankment", "embankment", line(run(spur, 600, 900, 5)), func(s *survey.Site) {
			s.Access = "Only from Spur Road crossing, on foot along the cess. Wait for the line to be blocked."
			s.Staging = "Spur Road crossing."
			s.Hazards = []string{"Trains: no work before the dispatcher confirms the block", "Ballast and ash fill", "Vibration"}
			s.Contacts = []survey.Contact{{Who: "Spur dispatcher", Phone: "555-0190", For: "blocking the line"}}
			s.Review = survey.Review{State: survey.Reviewed, By: "Lt. M. Esker", At: daysAgo(200)}
		}),
		site("QE-01", "Greystane Quarry, East Face", "quarry edge", polygon(ring(12)), func(s *survey.Site) {
			s.Access = "Quarry Road to the haul gate; the code is with dispatch."
			s.Staging = "Haul road, above the second bench."
			s.Hazards = []string{"Loose rim after frost", "Deep cold water in the pit", "Blasting: ask before entering"}
			s.Contacts = []survey.Contact{{Who: "Quarry foreman, I. Sorrel", Phone: "555-0175", For: "gate code and blasting"}}
			s.Review = signed("Chief T. Marrow", 420)
		}),
		site("BR-01", "Ostrel Bridge, North Abutment", "bridge", place(side(river, 420, 50)), func(s *survey.Site) {
			s.Access = "Bridge Street, north end, through the wicket gate and down the steps."
			s.Staging = "Bridge Street bus bay."
			s.Hazards = []string{"Debris strikes the pier in flood", "Telecom duct in the abutment"}
			s.Water, s.Review = quillet(3.4), signed("Chief T. Marrow", 30)
		}),
		site("LV-01", "Long Levee", "embankment", line(run(levee, -350, 150, 0)), func(s *survey.Site) {
			s.Access = "Levee Road, locked barrier, key at Station 2."
			s.Staging = "Levee Road turning place."
			s.Hazards = []string{"All fill: placed in 1998, raised since", "Toe drain behind the levee"}
			s.Notes = "The levee board forbids driving anything into the crown without asking first."
			s.Contacts = []survey.Contact{{Who: "Levee board, duty phone", Phone: "555-0133", For: "leave to drive stakes"}}
			s.Review = survey.Review{State: survey.Draft}
		}),
	}
}
