//! The liquid's surface in the body: one mode that flow changes and the pump's turbulence excite.

use crate::random::Random;

/// First sideways mode of the surface, a damped oscillator; heights in strokes of the float.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Surface {
    pub(crate) height: f64,
    speed: f64,
}

/// What does not change about the mode.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Mode {
    angular_rad_s: f64,
    damping_1_s: f64,
    /// Rise a change of flow, strokes for (m3/s).
    drive: f64,
    /// Rotation and decay over one whole sample: keep, cosine and sine.
    whole: (f64, f64, f64, f64),
}

impl Mode {
    /// First antisymmetric mode of an upright cylinder: `w^2 = g k tanh(k h)`, `k = 1.841 / radius`.
    ///
    /// Source: Lamb, Hydrodynamics, article 191. The damping and the share of the jet that excites it are this model's.
    pub(crate) fn new(radius_m: f64, stroke_m3: f64, period_s: f64) -> Mode {
        const DAMPING_RATIO: f64 = 0.05;
        const SHARE_OF_JET: f64 = 0.3;
        let wave = 1.841 / radius_m;
        let angular = libm::sqrt(9.806_65 * wave * libm::tanh(wave * 2.0 * radius_m));
        let damping = 2.0 * DAMPING_RATIO * angular;
        let turn = angular * period_s;
        Mode {
            angular_rad_s: angular,
            damping_1_s: damping,
            drive: SHARE_OF_JET / stroke_m3,
            whole: (period_s, libm::exp(-0.5 * damping * period_s), libm::cos(turn), libm::sin(turn)),
        }
    }
}

impl Surface {
    const HIGHEST: f64 = 0.15;
    const STILL: f64 = 1e-6;

    /// Goes on for `dt_s` in which the flow into the body has changed by `flow_change_m3_s`.
    pub(crate) fn step(&mut self, mode: &Mode, dt_s: f64, flow_change_m3_s: f64) {
        let kick = mode.drive * flow_change_m3_s;
        let energy = self.height.abs() + (self.speed / mode.angular_rad_s).abs();
        if energy < Self::STILL && kick.abs() < Self::STILL {
            *self = Surface::default();
            return;
        }
        let (whole_s, keep, cosine, sine) = mode.whole;
        let speed = self.speed + kick;
        if dt_s == whole_s {
            let along = speed / mode.angular_rad_s;
            let height = self.height;
            self.height = keep * (cosine * height + sine * along);
            self.speed = keep * mode.angular_rad_s * (cosine * along - sine * height);
        } else {
            // Midpoint rule: stable at any step.
            let half = 0.5 * dt_s;
            let stiff = mode.angular_rad_s * mode.angular_rad_s;
            let after = (speed * (1.0 - half * (mode.damping_1_s + half * stiff)) - dt_s * stiff * self.height)
                / (1.0 + half * (mode.damping_1_s + half * stiff));
            self.height += half * (speed + after);
            self.speed = after;
        }
        self.height = self.height.clamp(-Self::HIGHEST, Self::HIGHEST);
    }

    /// The pump's turbulence over the next sample; `deviation` is the standard deviation it holds the surface at.
    pub(crate) fn stir(&mut self, mode: &Mode, deviation: f64, random: &mut Random) {
        let keep = mode.whole.1;
        // As much as the sample will take away again.
        let kick = deviation * libm::sqrt(1.0 - keep * keep) / keep;
        self.height += kick * random.gaussian();
        self.speed += kick * mode.angular_rad_s * random.gaussian();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: Lamb, Hydrodynamics, article 191: `w^2 = g k tanh(k h)`; 0.1 m radius, depth of 0.2 m: 13.4 rad/s.
    #[test]
    fn the_surface_swings_at_its_own_frequency_whatever_the_step() {
        for dt_s in [0.002, 0.01] {
            let mode = Mode::new(0.1, 0.006, 0.1);
            let mut surface = Surface::default();
            surface.step(&mode, dt_s, 1e-3);
            let (mut crossings, mut before) = (Vec::new(), surface.height);
            for i in 0..(4.0 / dt_s) as i32 {
                surface.step(&mode, dt_s, 0.0);
                if before < 0.0 && surface.height >= 0.0 {
                    crossings.push(f64::from(i) * dt_s);
                }
                before = surface.height;
            }
            let (Some(first), Some(last)) = (crossings.first(), crossings.last()) else { unreachable!() };
            let period_s = (last - first) / (crossings.len() - 1) as f64;
            assert!((period_s / (2.0 * std::f64::consts::PI / 13.43) - 1.0).abs() < 0.02, "{period_s} at {dt_s}");
        }
    }

    #[test]
    fn turbulence_holds_the_surface_at_the_deviation_asked_for() {
        for period_s in [0.02, 0.1, 0.5] {
            let mode = Mode::new(0.1, 0.006, period_s);
            let (mut surface, mut random) = (Surface::default(), Random::new(3, 1));
            let (mut squares, n) = (0.0, 40_000);
            for _ in 0..n {
                surface.stir(&mode, 0.001, &mut random);
                surface.step(&mode, period_s, 0.0);
                squares += surface.height * surface.height;
            }
            let deviation = libm::sqrt(squares / f64::from(n));
            assert!((deviation / 0.001 - 1.0).abs() < 0.2, "{deviation} at {period_s} s");
        }
    }
}
