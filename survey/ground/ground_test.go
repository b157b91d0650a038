package ground_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"holdfast/survey"
	"holdfast/survey/ground"
)

func penetrometer(tsf float64) survey.GroundTest {
	return survey.GroundTest{Kind: survey.PocketPenetrometer, Reading: survey.Num(tsf), Unit: "tsf"}
}

func test(kind survey.TestKind, word string) survey.GroundTest {
	return survey.GroundTest{Kind: kind, Reading: survey.Word(word)}
}

// settled is undisturbed moist ground with every question answered no.
func settled(texture survey.Texture, tests ...survey.GroundTest) survey.Ground {
	return survey.Ground{
		Texture: texture, Moisture: survey.Moist, Tests: tests,
		Disturbed: survey.No, Fissured: survey.No, Seeping: survey.No, Vibration: survey.No, LayersDip: survey.No,
	}
}

func with(g survey.Ground, change func(*survey.Ground)) survey.Ground {
	change(&g)
	return g
}

// The rules of 29 CFR 1926 Subpart P Appendix A, each with its paragraph.
func TestAppendixA(t *testing.T) {
	for _, c := range []struct {
		name string // paragraph and rule
		g    survey.Ground
		want survey.GroundClass
	}{
		{"(b) Type A: cohesive, 1.5 tsf or more: exactly 1.5 is A", settled(survey.Clay, penetrometer(1.5)), survey.ClassA},
		{"(b) Type A: just below 1.5 tsf is B", settled(survey.Clay, penetrometer(1.49)), survey.ClassB},
		{"(b) Type A: examples: silty clay", settled(survey.SiltyClay, penetrometer(2)), survey.ClassA},
		{"(b) Type A: examples: sandy clay", settled(survey.SandyClay, penetrometer(2)), survey.ClassA},
		{"(b) Type A: examples: clay loam", settled(survey.ClayLoam, penetrometer(2)), survey.ClassA},
		{"(b) Type A: in some cases silty clay loam", settled(survey.SiltyClayLoam, penetrometer(2)), survey.ClassA},
		{"(b) Type A: in some cases sandy clay loam", settled(survey.SandyClayLoam, penetrometer(2)), survey.ClassA},
		{"(b) Type A: cemented soil: caliche", settled(survey.Caliche), survey.ClassA},
		{"(b) Type A: cemented soil: hardpan", settled(survey.Hardpan), survey.ClassA},
		{"(b) Type A (i): no soil is A if fissured", with(settled(survey.Clay, penetrometer(2)), func(g *survey.Ground) { g.Fissured = survey.Yes }), survey.ClassB},
		{"(b) Type A (ii): no soil is A if subject to vibration", with(settled(survey.Clay, penetrometer(2)), func(g *survey.Ground) { g.Vibration = survey.Yes }), survey.ClassB},
		{"(b) Type A (iii): no soil is A if previously disturbed", with(settled(survey.Clay, penetrometer(2)), func(g *survey.Ground) { g.Disturbed = survey.Yes }), survey.ClassB},
		{"(b) Type A (iv): no soil is A if layers dip into the slope", with(settled(survey.Clay, penetrometer(2)), func(g *survey.Ground) { g.LayersDip = survey.Yes }), survey.ClassC},
		{"(b) Type B (i): cohesive, above 0.5 and below 1.5 tsf", settled(survey.Clay, penetrometer(0.51)), survey.ClassB},
		{"(b) Type B (ii): angular gravel", settled(survey.AngularGravel), survey.ClassB},
		{"(b) Type B (ii): silt", settled(survey.Silt), survey.ClassB},
		{"(b) Type B (ii): silt loam", settled(survey.SiltLoam), survey.ClassB},
		{"(b) Type B (ii): sandy loam", settled(survey.SandyLoam), survey.ClassB},
		{"(b) Type B (ii): sandy loam stays B however hard it reads", settled(survey.SandyLoam, penetrometer(4)), survey.ClassB},
		{"(b) Type B (iii): disturbed soil otherwise C stays C", with(settled(survey.Sand), func(g *survey.Ground) { g.Disturbed = survey.Yes }), survey.ClassC},
		{"(b) Type B (iv): cementation of A but fissured", with(settled(survey.Caliche), func(g *survey.Ground) { g.Fissured = survey.Yes }), survey.ClassB},
		{"(b) Type B (v): dry rock that is not stable", settled(survey.DryRock), survey.ClassB},
		{"(b) Type C (i): cohesive, 0.5 tsf or less: exactly 0.5 is C", settled(survey.Clay, penetrometer(0.5)), survey.ClassC},
		{"(b) Type C (ii): gravel", settled(survey.Gravel), survey.ClassC},
		{"(b) Type C (ii): sand", settled(survey.Sand), survey.ClassC},
		{"(b) Type C (ii): loamy sand", settled(survey.LoamySand), survey.ClassC},
		{"(b) Type C (iii): submerged", with(settled(survey.Clay, penetrometer(3)), func(g *survey.Ground) { g.Moisture = survey.Submerged }), survey.ClassC},
		{"(b) Type C (iii): water freely seeping", with(settled(survey.Clay, penetrometer(1.5)), func(g *survey.Ground) { g.Seeping = survey.Yes }), survey.ClassC},
		{"(b) Type C (iv): submerged rock that is not stable", with(settled(survey.DryRock), func(g *survey.Ground) { g.Moisture = survey.Submerged }), survey.ClassC},
		{"(b) Type C (v): layers dip into the slope at 4H:1V or steeper", with(settled(survey.SandyLoam), func(g *survey.Ground) { g.LayersDip = survey.Yes }), survey.ClassC},
		{"(b) Stable rock", settled(survey.StableRock), survey.ClassRock},
		{"(c)(1) without any manual test a clay has no class", settled(survey.Clay), survey.ClassUnknown},
		{"(d)(2)(i) plasticity: a thread that holds is cohesive", settled("", test(survey.Thread, "holds"), penetrometer(1.6)), survey.ClassA},
		{"(d)(2)(i) plasticity: a thread that tears is granular", settled("", test(survey.Thread, "tears")), survey.ClassC},
		{"(d)(2)(ii) dry strength: a lump that crumbles is granular", settled("", test(survey.DryStrength, "crumbles")), survey.ClassC},
		{"(d)(2)(iii) thumb: indented readily, penetrated with great effort (very stiff) is A", settled(survey.Clay, test(survey.Thumb, "very stiff")), survey.ClassA},
		{"(d)(2)(iii) thumb: easily penetrated several inches (soft) is C", settled(survey.Clay, test(survey.Thumb, "soft")), survey.ClassC},
		{"(d)(2)(iv) vane: twice the reading is the unconfined strength", settled(survey.Clay, survey.GroundTest{Kind: survey.ShearVane, Reading: survey.Num(0.75), Unit: "tsf"}), survey.ClassA},
		{"(d)(2)(v) drying: cracks mean fissured", settled(survey.Clay, penetrometer(2), test(survey.Drying, "cracks")), survey.ClassB},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := ground.Classify(c.g)
			assert.Equal(t, c.want, got.Class, got.Because)
		})
	}
}

// source: TM 5-818-1 Table 2-2, consistency against unconfined strength.
func TestThumbFollowsTable22(t *testing.T) {
	for word, want := range map[string]survey.GroundClass{
		"very soft": survey.ClassC, "soft": survey.ClassC, // < 0.25, 0.25 to 0.5 tsf
		"medium": survey.ClassB,                              // 0.5 to 1 tsf
		"stiff":  survey.ClassB,                              // 1 to 2 tsf straddles 1.5: the weaker
		"hard":   survey.ClassA, "very stiff": survey.ClassA, // > 2 tsf
	} {
		assert.Equal(t, want, ground.Classify(settled(survey.Clay, test(survey.Thumb, word))).Class, word)
	}
}

func TestWeakestTestGoverns(t *testing.T) {
	r := ground.Classify(settled(survey.Clay, penetrometer(2.5), penetrometer(0.4)))
	assert.Equal(t, survey.ClassC, r.Class)
	assert.NotEmpty(t, r.Doubts, "A against C is a contradiction by more than one class")
	cu, ok := r.CuKPa.Get()
	assert.True(t, ok)
	assert.InDelta(t, 0.4*95.7605/2, cu, 0.001) // source: cu = qu/2; 1 tsf = 95.7605 kPa
}

// source: half of 1.5 and 0.5 tsf is 71.82 and 23.94 kPa; the value for C is
// the boundary of very soft and soft in TM 5-818-1 Table 2-2.
func TestStrengthOfAClassAlone(t *testing.T) {
	for class, want := range map[survey.GroundClass]float64{survey.ClassA: 71.82, survey.ClassB: 23.94, survey.ClassC: 12} {
		g := settled(survey.ClayLoam)
		g.Class = class
		r := ground.Classify(g)
		assert.True(t, r.Assumed)
		cu, _ := r.CuKPa.Get()
		assert.InDelta(t, want, cu, 0.01, class)
	}
}

// source: EM 1110-2-2504 Table 3-1, lower ends of φ and moist unit weight.
func TestSandByProbe(t *testing.T) {
	for word, want := range map[string][2]float64{"loose": {28, 14.9}, "medium": {31, 17.3}, "dense": {37, 17.3}} {
		r := ground.Classify(settled(survey.Sand, test(survey.RebarProbe, word)))
		phi, _ := r.PhiDeg.Get()
		gamma, _ := r.GammaKNM3.Get()
		assert.Equal(t, want, [2]float64{phi, gamma}, word)
		assert.Equal(t, survey.FactorSand, r.Factor)
	}
}

func TestProvisionalWithoutVisualAndManual(t *testing.T) {
	// source: Appendix A (c)(2): at least one visual and at least one manual analysis.
	assert.True(t, ground.Classify(settled(survey.Clay, penetrometer(2))).Provisional)
	assert.True(t, ground.Classify(settled(survey.Sand, test(survey.Visual, "single grains"))).Provisional)
	assert.False(t, ground.Classify(settled(survey.Clay, penetrometer(2), test(survey.Visual, "clumps, no cracks"))).Provisional)
}

func TestWrittenClass(t *testing.T) {
	g := settled(survey.Clay, penetrometer(1), test(survey.Visual, "clumps"))
	g.Class, g.ClassReason = survey.ClassA, "looked firm"
	r := ground.Classify(g)
	assert.Equal(t, survey.ClassB, r.Class, "the weaker is used")
	assert.Equal(t, survey.ClassA, r.Written, "both are shown")
	assert.NotEmpty(t, r.Doubts)
	g.Class = survey.ClassC
	assert.Equal(t, survey.ClassC, ground.Classify(g).Class, "a written class may weaken")
}

func TestNoStakeFigure(t *testing.T) {
	for name, g := range map[string]survey.Ground{
		"rock":             settled(survey.StableRock),
		"cobbles":          settled(survey.Cobbles),
		"organic":          settled(survey.Organic),
		"frozen":           with(settled(survey.Clay, penetrometer(2)), func(g *survey.Ground) { g.Moisture = survey.Frozen }),
		"saturated sand":   with(settled(survey.Sand), func(g *survey.Ground) { g.Moisture = survey.Wet }),
		"sand under water": with(settled(survey.Sand), func(g *survey.Ground) { g.Moisture = survey.Submerged }),
	} {
		assert.NotEmpty(t, ground.Classify(g).Unsuitable, name)
	}
	assert.Empty(t, ground.Classify(settled(survey.Clay, penetrometer(2))).Unsuitable)
}

func TestUnknownStaysUnknown(t *testing.T) {
	assert.Equal(t, survey.ClassUnknown, ground.Classify(survey.Ground{}).Class)
	g := settled(survey.Clay, penetrometer(2))
	g.Disturbed = ""
	r := ground.Classify(g)
	assert.NotEmpty(t, r.Unsettled, "disturbance matters and was not asked")
	g = settled(survey.Clay, penetrometer(2))
	g.Fissured = survey.AnswerUnknown
	assert.NotEmpty(t, ground.Classify(g).Unsettled)
	assert.Empty(t, ground.Classify(settled(survey.Clay, penetrometer(2))).Unsettled)
}

// anyGround draws grounds over everything a surveyor can enter.
func anyGround(t *rapid.T) survey.Ground {
	answer := rapid.SampledFrom([]survey.Answer{"", survey.Yes, survey.No, survey.AnswerUnknown})
	g := survey.Ground{
		Class:    rapid.SampledFrom(append([]survey.GroundClass{""}, survey.GroundClasses...)).Draw(t, "class"),
		Texture:  rapid.SampledFrom(append([]survey.Texture{""}, survey.Textures...)).Draw(t, "texture"),
		Moisture: rapid.SampledFrom(append([]survey.Moisture{""}, survey.Moistures...)).Draw(t, "moisture"),
		Fissured: answer.Draw(t, "fissured"), Seeping: answer.Draw(t, "seeping"), Vibration: answer.Draw(t, "vibration"),
		LayersDip: answer.Draw(t, "dip"), Disturbed: answer.Draw(t, "disturbed"),
	}
	for range rapid.IntRange(0, 3).Draw(t, "tests") {
		switch rapid.IntRange(0, 5).Draw(t, "kind") {
		case 0:
			g.Tests = append(g.Tests, penetrometer(rapid.Float64Range(0, 5).Draw(t, "tsf")))
		case 1:
			g.Tests = append(g.Tests, test(survey.Thumb, rapid.SampledFrom(survey.ThumbWords).Draw(t, "thumb")))
		case 2:
			g.Tests = append(g.Tests, test(survey.RebarProbe, rapid.SampledFrom(survey.ProbeWords).Draw(t, "probe")))
		case 3:
			g.Tests = append(g.Tests, test(survey.Thread, rapid.SampledFrom(survey.ThreadWords).Draw(t, "thread")))
		case 4:
			g.Tests = append(g.Tests, test(survey.DryStrength, rapid.SampledFrom(survey.DryWords).Draw(t, "dry")))
		case 5:
			g.Tests = append(g.Tests, test(survey.Drying, rapid.SampledFrom(survey.DryingWords).Draw(t, "drying")))
		}
	}
	return g
}

// Laws: a yes to any of the five questions, more water or a weaker reading
// never gives a better class.
func TestWorseNeverClassesBetter(t *testing.T) {
	better := func(a, b survey.GroundClass) bool { // a better than b
		if a == survey.ClassUnknown || b == survey.ClassUnknown {
			return false
		}
		return slices.Index(survey.GroundClasses, a) < slices.Index(survey.GroundClasses, b)
	}
	rapid.Check(t, func(t *rapid.T) {
		g := anyGround(t)
		was := ground.Classify(g)
		for name, worse := range map[string]func(*survey.Ground){
			"disturbed": func(g *survey.Ground) { g.Disturbed = survey.Yes },
			"fissured":  func(g *survey.Ground) { g.Fissured = survey.Yes },
			"seeping":   func(g *survey.Ground) { g.Seeping = survey.Yes },
			"vibration": func(g *survey.Ground) { g.Vibration = survey.Yes },
			"dipping":   func(g *survey.Ground) { g.LayersDip = survey.Yes },
			"submerged": func(g *survey.Ground) { g.Moisture = survey.Submerged },
			"one weak reading more": func(g *survey.Ground) {
				g.Tests = append(slices.Clone(g.Tests), penetrometer(0.1))
			},
		} {
			now := ground.Classify(with(g, worse))
			if better(now.Class, was.Class) {
				t.Fatalf("%s: %s became %s", name, was.Class, now.Class)
			}
		}
		for _, m := range []survey.Moisture{survey.Wet, survey.Submerged} {
			if now := ground.Tonight(g, m); better(now.Class, was.Class) {
				t.Fatalf("%s tonight: %s became %s", m, was.Class, now.Class)
			}
		}
	})
}
