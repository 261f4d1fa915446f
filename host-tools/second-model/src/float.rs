//! The float: a mass with the water it drags along, on the spring of its buoyancy, held by friction.
//!
//! Positions and forces are in strokes: a force of 1 is what moves the waterline by one stroke. Friction follows
//! Stribeck: static at rest, falling to Coulomb's as it slides, plus a viscous part. Grease makes the static part grow
//! with the time at rest, and the viscous part large.

/// How float and guide are at present.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Guide {
    /// Static friction of the clean guide, strokes.
    pub(crate) clean: f64,
    /// Static friction that grease adds after a long rest, strokes.
    pub(crate) grease: f64,
    /// How much deeper the float sits by the mass that it has gathered, strokes.
    pub(crate) heavy: f64,
}

/// What does not change about a float.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Build {
    /// Length of the stroke, m.
    pub(crate) stroke_m: f64,
}

/// Depth of the clean float in the liquid, strokes, and how much the liquid it drags along adds to its mass.
const DRAUGHT: f64 = 0.35;
const ADDED_MASS: f64 = 0.5;
/// Damping ratio of the clean float in the liquid.
const DAMPING_RATIO: f64 = 0.6;
/// Coulomb friction over static, of a clean guide and of grease.
const COULOMB_CLEAN: f64 = 0.6;
const COULOMB_GREASE: f64 = 0.35;
/// Speed at which static friction has fallen half way to Coulomb's, strokes/s.
const STRIBECK_1_S: f64 = 0.01;
/// Time at rest after which grease has half of its hold back, s.
const GREASE_SETS_S: f64 = 45.0;
/// Viscous drag of grease: force a speed, for each stroke of its static friction, s.
const GREASE_DRAG_S: f64 = 30.0;

/// Share of the grease's hold that is there after so long at rest.
pub(crate) fn after_rest(rest_s: f64) -> f64 {
    COULOMB_GREASE + (1.0 - COULOMB_GREASE) * rest_s / (rest_s + GREASE_SETS_S)
}

/// The moving float.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Float {
    /// Position, 0 fully down, 1 fully up.
    pub(crate) position: f64,
    pub(crate) speed_1_s: f64,
    /// How long it has stood still, s.
    pub(crate) rest_s: f64,
    /// Held fast here.
    pub(crate) jammed_at: Option<f64>,
}

impl Float {
    /// Static friction now, strokes.
    pub(crate) fn static_friction(&self, guide: &Guide) -> f64 {
        guide.clean + guide.grease * after_rest(self.rest_s)
    }

    /// Goes on for `dt_s` towards the liquid's height, which rises at `rise_1_s`, all in strokes.
    pub(crate) fn step(&mut self, build: Build, guide: &Guide, liquid: f64, rise_1_s: f64, dt_s: f64) {
        if let Some(place) = self.jammed_at {
            self.go_to(place, dt_s);
            return;
        }
        let draught = DRAUGHT + guide.heavy;
        let stiffness = 9.806_65 / (build.stroke_m * draught * (1.0 + ADDED_MASS));
        // The liquid takes the float along, grease holds it to its guide.
        let liquid_drag = 2.0 * DAMPING_RATIO / libm::sqrt(stiffness);
        let buoyancy = (liquid - guide.heavy - self.position).clamp(-draught, 1.5 * DRAUGHT);
        let force = buoyancy + liquid_drag * rise_1_s;
        let holds = self.static_friction(guide);
        if self.speed_1_s == 0.0 {
            let against_stop = (self.position <= 0.0 && force < 0.0) || (self.position >= 1.0 && force > 0.0);
            if force.abs() <= holds || against_stop {
                self.rest_s += dt_s;
                return;
            }
        }
        let drag = liquid_drag + GREASE_DRAG_S * guide.grease;
        let sense = if self.speed_1_s == 0.0 { force.signum() } else { self.speed_1_s.signum() };
        let coulomb = COULOMB_CLEAN * guide.clean + COULOMB_GREASE * guide.grease;
        let slide = self.speed_1_s / STRIBECK_1_S;
        let friction = coulomb + (holds - coulomb) / (1.0 + slide * slide);
        self.rest_s = 0.0;
        let after =
            (self.speed_1_s + dt_s * stiffness * (force - sense * friction)) / (1.0 + dt_s * stiffness * (drag + dt_s));
        self.speed_1_s = if after * sense > 0.0 { after } else { 0.0 };
        self.position += dt_s * self.speed_1_s;
        if !(0.0..=1.0).contains(&self.position) {
            self.position = self.position.clamp(0.0, 1.0);
            self.speed_1_s = 0.0;
        }
    }

    /// A jammed float is dragged to where it stays, slowly.
    fn go_to(&mut self, place: f64, dt_s: f64) {
        const DRAG_1_S: f64 = 0.05;
        let way = (place - self.position).clamp(-DRAG_1_S * dt_s, DRAG_1_S * dt_s);
        self.position += way;
        self.speed_1_s = 0.0;
        self.rest_s += dt_s;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BUILD: Build = Build { stroke_m: 0.2 };

    fn settled(guide: &Guide, liquid: f64, float: &mut Float) -> f64 {
        for _ in 0..5000 {
            float.step(BUILD, guide, liquid, 0.0, 0.002);
        }
        float.position
    }

    #[test]
    fn a_clean_float_follows_within_its_play() {
        let guide = Guide { clean: 0.003, ..Guide::default() };
        let mut float = Float { position: 0.5, ..Float::default() };
        for liquid in [0.501, 0.52, 0.7, 0.4, 0.41] {
            let position = settled(&guide, liquid, &mut float);
            assert!((position - liquid).abs() <= 0.003, "{position} in {liquid}");
        }
    }

    #[test]
    fn grease_holds_the_float_until_the_liquid_has_gone_far_and_lets_it_slip() {
        let guide = Guide { clean: 0.003, grease: 0.06, heavy: 0.0 };
        let mut float = Float { position: 0.5, rest_s: 1e6, ..Float::default() };
        assert_eq!(settled(&guide, 0.56, &mut float), 0.5);
        let slipped = settled(&guide, 0.57, &mut float);
        // It stops where sliding friction holds it: a third of what it takes to break loose.
        assert!((0.53..0.57).contains(&slipped), "{slipped}");
    }

    #[test]
    fn a_heavy_float_lies_as_much_deeper_as_its_mass_asks() {
        let guide = Guide { heavy: 0.08, ..Guide::default() };
        let mut float = Float { position: 0.5, ..Float::default() };
        assert!((settled(&guide, 0.8, &mut float) - 0.72).abs() < 1e-3);
    }

    #[test]
    fn a_float_without_friction_settles_at_the_rate_of_its_mass_and_spring() {
        // Source: damped oscillator, x = 1 - e^(-zwt) (cos wd t + z w/wd sin wd t), w^2 = g / (draught (1 + added)).
        let guide = Guide::default();
        let dt_s = 1e-5;
        let w = (9.806_65_f64 / (0.2 * 0.35 * 1.5)).sqrt();
        let (z, wd) = (0.6, w * (1.0_f64 - 0.36).sqrt());
        let mut float = Float { position: 0.5, ..Float::default() };
        for i in 1..=100_000 {
            float.step(BUILD, &guide, 0.6, 0.0, dt_s);
            let t = f64::from(i) * dt_s;
            let expected = 0.6 - 0.1 * (-z * w * t).exp() * ((wd * t).cos() + z * w / wd * (wd * t).sin());
            assert!((float.position - expected).abs() < 2e-4, "{t} s: {} for {expected}", float.position);
            if float.speed_1_s == 0.0 {
                break;
            }
        }
    }

    #[test]
    fn a_float_rises_with_liquid_that_rises_steadily() {
        let guide = Guide { clean: 0.003, ..Guide::default() };
        let mut float = Float::default();
        let mut liquid = 0.0;
        while liquid < 0.9 {
            liquid += 0.002 * 0.3;
            float.step(BUILD, &guide, liquid, 0.3, 0.002);
        }
        assert!((float.position - liquid).abs() < 0.004, "{} in {liquid}", float.position);
    }

    #[test]
    fn a_jammed_float_stays_whatever_the_liquid_does() {
        let mut float = Float { position: 0.8, jammed_at: Some(0.8), ..Float::default() };
        assert_eq!(settled(&Guide::default(), 0.0, &mut float), 0.8);
    }
}
