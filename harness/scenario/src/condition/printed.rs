//! Conditions as they are written in a file; what is printed reads back the same.

use std::fmt;

use super::states;
use crate::quantity::{span_text, thousandths};
use crate::{Comparison, Condition, DeclaredLimit, LevelSignal, Limit, Measured, SpreadOf, SwitchSignal, ZoneSelector};

impl fmt::Display for ZoneSelector {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ZoneSelector::All => Ok(()),
            ZoneSelector::Number(number) => write!(f, ".{number}"),
            ZoneSelector::Name(name) => write!(f, ".{name}"),
        }
    }
}

impl fmt::Display for LevelSignal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            LevelSignal::Kiln(zone) => write!(f, "kiln{zone}"),
            LevelSignal::Probe(zone) => write!(f, "probe{zone}"),
            LevelSignal::SetPoint => f.write_str("set-point"),
            LevelSignal::LimiterProbe => f.write_str("limiter probe"),
        }
    }
}

impl fmt::Display for Measured {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Measured::Level(level) => write!(f, "{level}"),
            Measured::Spread(SpreadOf::Kiln) => f.write_str("kiln spread"),
            Measured::Spread(SpreadOf::Probe) => f.write_str("probe spread"),
            Measured::Difference { of, less } => write!(f, "{of} - {less}"),
            Measured::Rise { of, over } => write!(f, "rise of {of} over {}", span_text(*over)),
            Measured::Rate { of, over } => write!(f, "rate of {of} over {}", span_text(*over)),
            Measured::Duty { of, over } => write!(f, "duty of {of} over {}", span_text(*over)),
        }
    }
}

/// The switch without its state.
impl fmt::Display for SwitchSignal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            SwitchSignal::Isolated(zone) => write!(f, "isolated{zone}"),
            SwitchSignal::Console(pattern) => write!(f, "console says {pattern}"),
            SwitchSignal::Heat(zone) => write!(f, "heat{zone}"),
            SwitchSignal::Element(zone) => write!(f, "element{zone}"),
            SwitchSignal::Safety => f.write_str("safety"),
            SwitchSignal::Limiter => f.write_str("limiter"),
            SwitchSignal::Contact(contact) => f.write_str(contact.word()),
            SwitchSignal::Supply => f.write_str("supply"),
        }
    }
}

impl fmt::Display for Limit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Limit::Temperature(value) | Limit::Difference(value) => write!(f, "{} °C", thousandths(*value)),
            Limit::Rate(value) => write!(f, "{} °C/h", thousandths(*value)),
            Limit::Share(value) => write!(f, "{} %", thousandths(*value)),
            Limit::Declared { which, plus_millicelsius } => {
                f.write_str(match which {
                    DeclaredLimit::TopTemperature => "declared top temperature",
                    DeclaredLimit::KilnLimit => "kiln limit",
                    DeclaredLimit::LimiterTrip => "limiter trip",
                    DeclaredLimit::LimiterReset => "limiter reset",
                })?;
                match plus_millicelsius {
                    0 => Ok(()),
                    plus if *plus > 0 => write!(f, " + {} °C", thousandths(*plus)),
                    minus => write!(f, " - {} °C", thousandths(minus.saturating_neg())),
                }
            }
        }
    }
}

/// As it is written in a file; reads back to the same condition.
impl fmt::Display for Condition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Condition::Compare { measured, comparison, limit } => {
                let sign = match comparison {
                    Comparison::Below => "<",
                    Comparison::AtMost => "<=",
                    Comparison::Above => ">",
                    Comparison::AtLeast => ">=",
                };
                write!(f, "{} {sign} {}", measured.value, limit.value)
            }
            Condition::Is { switch, on } => match &switch.value {
                SwitchSignal::Isolated(zone) => write!(f, "{}{zone}", if *on { "isolated" } else { "live" }),
                SwitchSignal::Console(_) => write!(f, "{}{}", if *on { "" } else { "not " }, switch.value),
                other => {
                    let [word_on, word_off] = states(other);
                    write!(f, "{other} {}", if *on { word_on } else { word_off })
                }
            },
            Condition::HeldFor { condition, length } => {
                operand(f, condition, Binding::Single)?;
                write!(f, " for {}", span_text(*length))
            }
            Condition::Not(inner) => {
                f.write_str("not ")?;
                match **inner {
                    Condition::And(_) | Condition::Or(_) => write!(f, "({inner})"),
                    _ => write!(f, "{inner}"),
                }
            }
            Condition::And(parts) => joined(f, parts, " and "),
            Condition::Or(parts) => joined(f, parts, " or "),
        }
    }
}

/// What an operand may be without brackets.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Binding {
    /// Only a comparison or a state.
    Single,
    /// An alternative's part: `and` binds tighter.
    Alternative,
    /// A conjunction's part.
    Conjunction,
}

fn operand(f: &mut fmt::Formatter<'_>, condition: &Condition, binding: Binding) -> fmt::Result {
    let bare = match condition {
        Condition::Compare { .. } | Condition::Is { .. } => true,
        Condition::HeldFor { .. } | Condition::Not(_) => binding != Binding::Single,
        Condition::And(_) => binding == Binding::Alternative,
        Condition::Or(_) => false,
    };
    if bare { write!(f, "{condition}") } else { write!(f, "({condition})") }
}

fn joined(f: &mut fmt::Formatter<'_>, parts: &[Condition], word: &str) -> fmt::Result {
    let binding = if word == " or " { Binding::Alternative } else { Binding::Conjunction };
    for (index, part) in parts.iter().enumerate() {
        if index > 0 {
            f.write_str(word)?;
        }
        operand(f, part, binding)?;
    }
    Ok(())
}
