//! Log lines: on standard error, and into the record of a session.

use std::fmt::{self, Write as _};
use std::io::{self, IsTerminal};
use std::sync::{Arc, PoisonError, RwLock};

use dryfire_record::{LogSender, Note, utc};
use dryfire_report::neutralise;
use tracing::field::{Field, Visit};
use tracing::level_filters::LevelFilter;
use tracing::span::{Attributes, Id};
use tracing::{Event, Subscriber};
use tracing_subscriber::field::MakeExt;
use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::{Context, Layer, SubscriberExt};
use tracing_subscriber::registry::LookupSpan;
use tracing_subscriber::util::SubscriberInitExt;
use tracing_subscriber::{EnvFilter, fmt as lines};

use crate::screen::Mistake;

/// What a controller under test writes on its standard error goes into the record too.
const OF_THE_PROGRAM: &str = "dryfire::program";

/// Where log lines go beside the terminal: the record that is being written, if there is one.
#[derive(Clone, Debug, Default)]
pub(crate) struct RecordLines(Arc<RwLock<Option<LogSender>>>);

impl RecordLines {
    /// From now on into this record, or into none.
    pub(crate) fn set_record(&self, sender: Option<LogSender>) {
        *self.0.write().unwrap_or_else(PoisonError::into_inner) = sender;
    }
}

/// Begins logging. The terminal gets what `RUST_LOG` says, or as much as `-v` was given; a record always
/// gets the same.
pub(crate) fn begin(verbose: u8) -> Result<RecordLines, Mistake> {
    let level = match verbose {
        0 => "warn",
        1 => "info",
        2 => "debug",
        _ => "trace",
    };
    let filter = match std::env::var_os(EnvFilter::DEFAULT_ENV) {
        Some(wanted) if !wanted.is_empty() => {
            let wanted = wanted.to_string_lossy().into_owned();
            EnvFilter::try_new(&wanted).map_err(|error| {
                Mistake::new(format!("the environment variable RUST_LOG is `{wanted}`: {error}"))
                    .hint("for example RUST_LOG=dryfire=debug")
            })?
        }
        _ => EnvFilter::new(level),
    };
    let colour = io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty());
    // Names come from files and from controllers: what acts on a terminal is written out.
    let fields = lines::format::debug_fn(|writer, field, value| {
        let text = neutralise(&format!("{value:?}"));
        if field.name() == "message" { write!(writer, "{text}") } else { write!(writer, "{field}={text}") }
    });
    let terminal = lines::layer()
        .fmt_fields(fields.delimited(" "))
        .with_writer(io::stderr)
        .with_ansi(colour)
        .with_target(true)
        .with_filter(filter);
    let recorded = RecordLines::default();
    let of_the_record =
        Targets::new().with_target("dryfire", LevelFilter::INFO).with_target(OF_THE_PROGRAM, LevelFilter::DEBUG);
    let record = recorded.clone().with_filter(of_the_record);
    tracing_subscriber::registry().with(terminal).with(record).init();
    Ok(recorded)
}

/// What is known of the run that a line belongs to.
#[derive(Debug, Default)]
struct OfRun {
    /// Its number in the plan; none of what is no run of the plan.
    run: Option<usize>,
    scenario: String,
}

impl Visit for OfRun {
    fn record_u64(&mut self, field: &Field, value: u64) {
        if field.name() == "run" {
            self.run = usize::try_from(value).ok();
        }
    }

    fn record_str(&mut self, field: &Field, value: &str) {
        if field.name() == "scenario" {
            value.clone_into(&mut self.scenario);
        }
    }

    fn record_debug(&mut self, field: &Field, value: &dyn fmt::Debug) {
        if field.name() == "scenario" {
            self.scenario = format!("{value:?}");
        }
    }
}

/// A line's message, then its fields.
#[derive(Debug, Default)]
struct Text {
    message: String,
    fields: String,
}

impl Visit for Text {
    fn record_str(&mut self, field: &Field, value: &str) {
        self.record_debug(field, &format_args!("{value}"));
    }

    fn record_debug(&mut self, field: &Field, value: &dyn fmt::Debug) {
        // Writing to a string does not fail.
        let _ = match field.name() {
            "message" => write!(self.message, "{value:?}"),
            name => write!(self.fields, " {name}={value:?}"),
        };
    }
}

impl<S: Subscriber + for<'a> LookupSpan<'a>> Layer<S> for RecordLines {
    fn on_new_span(&self, attributes: &Attributes<'_>, id: &Id, context: Context<'_, S>) {
        let Some(span) = context.span(id).filter(|span| span.name() == "run") else { return };
        let mut of_run = OfRun::default();
        attributes.record(&mut of_run);
        span.extensions_mut().insert(of_run);
    }

    fn on_event(&self, event: &Event<'_>, context: Context<'_, S>) {
        let sender = self.0.read().unwrap_or_else(PoisonError::into_inner).clone();
        let Some(sender) = sender else { return };
        let mut text = Text::default();
        event.record(&mut text);
        let mut line = Note {
            at: utc::now(),
            run: None,
            kind: event.metadata().level().as_str().to_ascii_lowercase(),
            text: format!("{}{}", text.message, text.fields).trim_start().to_owned(),
        };
        for span in context.event_scope(event).into_iter().flatten() {
            let extensions = span.extensions();
            let Some(of_run) = extensions.get::<OfRun>() else { continue };
            line.run = of_run.run;
            if of_run.run.is_none() {
                line.text = format!("{}: {}", of_run.scenario, line.text);
            }
            break;
        }
        sender.log(line);
    }
}
