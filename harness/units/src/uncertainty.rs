//! Uncertainty of a measured quantity, combined after the GUM (JCGM 100:2008).
//!
//! What a quantity depends on is an [`Input`] each: a standard uncertainty, how
//! strongly the result follows it, and how well it is known itself. [`combine`]
//! takes the root of the sum of squares, and the effective degrees of freedom
//! after Welch and Satterthwaite; [`Combined::coverage_factor`] says by how much
//! to multiply so that a stated share of the values is covered.
//!
//! Formulas: GUM 4.3 (standard uncertainty from limits), 5.1.2 and 5.2.2
//! (combination), G.4.1 (degrees of freedom); clause numbers from memory.

/// How the values between two limits are spread.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spread {
    /// Anywhere between the limits alike.
    Rectangular,
    /// The middle more likely than the limits, falling in straight lines.
    Triangular,
    /// As a sine is: near the limits more likely than in the middle.
    Arcsine,
}

impl Spread {
    /// The standard uncertainty of a quantity within ± `half_width` of its estimate.
    pub fn standard(self, half_width: f64) -> f64 {
        match self {
            Spread::Rectangular => half_width / libm::sqrt(3.0),
            Spread::Triangular => half_width / libm::sqrt(6.0),
            Spread::Arcsine => half_width / libm::sqrt(2.0),
        }
    }
}

/// One thing that a result depends on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Input {
    /// Its standard uncertainty, in its own unit.
    pub standard: f64,
    /// By how much the result changes with it (a partial derivative).
    pub sensitivity: f64,
    /// From how many independent readings that uncertainty is known, less what
    /// was fitted to them; infinite where it is taken as known.
    pub degrees_of_freedom: f64,
}

impl Input {
    /// A standard uncertainty that is taken as known, of something that the result follows one to one.
    pub fn standard(standard: f64) -> Self {
        Input { standard, sensitivity: 1.0, degrees_of_freedom: f64::INFINITY }
    }

    /// Limits of ± `half_width`.
    pub fn limits(spread: Spread, half_width: f64) -> Self {
        Input::standard(spread.standard(half_width))
    }

    /// An expanded uncertainty as a certificate states it, with its coverage factor.
    pub fn expanded(expanded: f64, coverage_factor: f64) -> Self {
        Input::standard(expanded / coverage_factor)
    }

    /// With a sensitivity.
    #[must_use]
    pub fn times(self, sensitivity: f64) -> Self {
        Input { sensitivity, ..self }
    }

    /// With degrees of freedom.
    #[must_use]
    pub fn known_to(self, degrees_of_freedom: f64) -> Self {
        Input { degrees_of_freedom, ..self }
    }

    /// What it adds to the result's standard uncertainty, with the sign of its sensitivity.
    pub fn contribution(self) -> f64 {
        self.sensitivity * self.standard
    }
}

/// A combined standard uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Combined {
    /// In the unit of the result.
    pub standard: f64,
    /// How well it is known; infinite where every input is taken as known.
    pub degrees_of_freedom: f64,
}

/// Combines inputs that vary independently of one another.
pub fn combine(inputs: &[Input]) -> Combined {
    let square = |value: f64| value * value;
    let variance: f64 = inputs.iter().map(|input| square(input.contribution())).sum();
    // Welch and Satterthwaite; an input that is taken as known adds nothing here.
    let doubt: f64 = inputs.iter().map(|input| square(square(input.contribution())) / input.degrees_of_freedom).sum();
    let degrees_of_freedom = if doubt > 0.0 { square(variance) / doubt } else { f64::INFINITY };
    Combined { standard: libm::sqrt(variance), degrees_of_freedom }
}

/// The combined standard uncertainty of inputs that go together: `correlation`
/// gives the coefficient of each pair by their places, the lower one first.
pub fn combine_correlated(inputs: &[Input], correlation: impl Fn(usize, usize) -> f64) -> f64 {
    let mut variance = 0.0;
    for (place, input) in inputs.iter().enumerate() {
        variance += input.contribution() * input.contribution();
        for (other, second) in inputs.iter().enumerate().skip(place + 1) {
            variance += 2.0 * input.contribution() * second.contribution() * correlation(place, other);
        }
    }
    // Rounding may leave a hair below zero where everything cancels.
    libm::sqrt(variance.max(0.0))
}

impl Combined {
    /// The factor that covers this share of the values: Student's t with the
    /// effective degrees of freedom, or the normal distribution's.
    pub fn coverage_factor(self, share: f64) -> f64 {
        student_factor(share, self.degrees_of_freedom)
    }
}

/// The share of a normal distribution within ± `coverage_factor` standard uncertainties.
pub fn covered_share(coverage_factor: f64) -> f64 {
    libm::erf(coverage_factor / core::f64::consts::SQRT_2)
}

/// The factor within which Student's t lies with a probability of `share`, for
/// degrees of freedom of one or more, which need not be whole; infinitely many
/// make it the normal distribution.
pub fn student_factor(share: f64, degrees_of_freedom: f64) -> f64 {
    let within = |factor: f64| {
        if degrees_of_freedom.is_finite() { student_share(factor, degrees_of_freedom) } else { covered_share(factor) }
    };
    // Halving: the share grows with the factor. With one degree of freedom 99.99 % lie within 6,400.
    let (mut low, mut high) = (0.0, 1e4);
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if within(middle) < share {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// The share of Student's t within ± `factor`: 1 − I(ν/(ν + t²); ν/2, ½).
fn student_share(factor: f64, degrees_of_freedom: f64) -> f64 {
    let x = degrees_of_freedom / (degrees_of_freedom + factor * factor);
    1.0 - incomplete_beta(0.5 * degrees_of_freedom, 0.5, x)
}

/// The regularised incomplete beta function by its continued fraction (DLMF 8.17.22, from memory).
fn incomplete_beta(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 || x >= 1.0 {
        return x.clamp(0.0, 1.0);
    }
    // The fraction is quick on this side only; the function is the same from the other end.
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - incomplete_beta(b, a, 1.0 - x);
    }
    let front =
        libm::exp(libm::lgamma(a + b) - libm::lgamma(a) - libm::lgamma(b) + a * libm::log(x) + b * libm::log1p(-x)) / a;
    // Evaluated from the far end; 400 terms are enough for degrees of freedom up to a million.
    let mut fraction = 1.0;
    for term in (1..=400_u16).rev() {
        let m = f64::from(term / 2);
        let coefficient = if term % 2 == 0 {
            m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m))
        } else {
            -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0))
        };
        fraction = 1.0 + coefficient / fraction;
    }
    front / fraction
}
