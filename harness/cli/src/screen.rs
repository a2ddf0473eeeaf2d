//! The only place that writes to standard output and standard error.

use std::fmt::Display;
use std::io::{self, IsTerminal, Write};

use anstyle::{AnsiColor, Effects, Style as Look};
use dryfire_report::{Style, Text};
use dryfire_scenario::{Diagnostic, Piece, Severity};

/// Width of a summary that goes to no terminal.
const WIDTH_ELSEWHERE: usize = 100;

/// Standard output and standard error, with colour only where it is wanted.
pub(crate) struct Screen {
    /// What became of standard output: `None` while it takes everything.
    broken: Option<io::Error>,
}

impl Screen {
    pub(crate) fn new() -> Self {
        Screen { broken: None }
    }

    /// Columns for text on standard output.
    pub(crate) fn width(&self) -> usize {
        terminal_size::terminal_size_of(io::stdout()).map_or(WIDTH_ELSEWHERE, |(width, _)| usize::from(width.0))
    }

    /// Writes to standard output. After a reader has gone away nothing more is
    /// written, quietly: the work goes on, and its exit status stands.
    pub(crate) fn out(&mut self, text: impl Display) {
        self.write(|out| write!(out, "{text}"));
    }

    /// Lets something be written to standard output piece by piece, unchanged.
    pub(crate) fn stream(&mut self, write: impl FnOnce(&mut dyn Write) -> io::Result<()>) {
        if self.broken.is_some() {
            return;
        }
        let mut out = io::BufWriter::new(io::stdout().lock());
        if let Err(error) = write(&mut out).and_then(|()| out.flush()) {
            self.broken = Some(error);
        }
    }

    /// Writes a styled text to standard output.
    pub(crate) fn text(&mut self, text: &Text) {
        self.write(|out| {
            for line in &text.lines {
                for piece in &line.pieces {
                    let look = look(piece.style);
                    write!(out, "{look}{}{look:#}", piece.text)?;
                }
                writeln!(out)?;
            }
            Ok(())
        });
    }

    /// Writes a located mistake to standard output.
    pub(crate) fn diagnostic(&mut self, diagnostic: &Diagnostic) {
        self.write(|out| write_diagnostic(out, diagnostic));
    }

    fn write(&mut self, write: impl FnOnce(&mut dyn Write) -> io::Result<()>) {
        if self.broken.is_some() {
            return;
        }
        let mut out = anstream::AutoStream::auto(io::stdout().lock());
        if let Err(error) = write(&mut out).and_then(|()| out.flush()) {
            self.broken = Some(error);
        }
    }

    /// Whether standard output refused something for another reason than that
    /// nobody reads it any more (a full disk).
    pub(crate) fn failure(&self) -> Option<&io::Error> {
        self.broken.as_ref().filter(|error| error.kind() != io::ErrorKind::BrokenPipe)
    }

    /// Writes a located mistake to standard error.
    pub(crate) fn complain_about(&self, diagnostic: &Diagnostic) {
        let mut err = anstream::AutoStream::auto(io::stderr().lock());
        // There is nowhere left to say that standard error cannot be written.
        let _ = write_diagnostic(&mut err, diagnostic);
    }

    /// Writes a mistake and how to mend it to standard error.
    pub(crate) fn complain(&self, mistake: &Mistake) {
        let mut err = anstream::AutoStream::auto(io::stderr().lock());
        let (red, faint) = (look(Style::Fail), look(Style::Faint));
        let message = dryfire_report::neutralise(&mistake.message);
        let _ = writeln!(err, "{red}error{red:#}: {message}");
        for hint in &mistake.hints {
            let _ = writeln!(err, "  {faint}hint:{faint:#} {}", dryfire_report::neutralise(hint));
        }
    }

    /// Writes something to know, but no mistake, to standard error.
    pub(crate) fn warn(&self, text: &str) {
        let mut err = anstream::AutoStream::auto(io::stderr().lock());
        let yellow = look(Style::Inconclusive);
        let _ = writeln!(err, "{yellow}warning{yellow:#}: {}", dryfire_report::neutralise(text));
    }

    /// Asks the operator for something, on standard error.
    pub(crate) fn ask(text: &str) {
        let mut err = anstream::AutoStream::auto(io::stderr().lock());
        let strong = look(Style::Strong);
        let text = dryfire_report::neutralise(text);
        let _ = writeln!(err, "{strong}Please:{strong:#} {text}\n        and press the return key when it is done.");
    }
}

impl Screen {
    /// Asks a question on standard error that is answered in words.
    pub(crate) fn question(text: &str) {
        let mut err = anstream::AutoStream::auto(io::stderr().lock());
        let strong = look(Style::Strong);
        let _ = writeln!(err, "{strong}Question:{strong:#} {}", dryfire_report::neutralise(text));
    }
}

/// Whether somebody looks at standard error, and at standard output.
pub(crate) fn terminals() -> (bool, bool) {
    (io::stderr().is_terminal(), io::stdout().is_terminal())
}

/// Something wrong that no file position explains.
#[derive(Debug)]
pub(crate) struct Mistake {
    pub(crate) message: String,
    pub(crate) hints: Vec<String>,
}

impl Mistake {
    pub(crate) fn new(message: impl Into<String>) -> Self {
        Mistake { message: message.into(), hints: Vec::new() }
    }

    pub(crate) fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hints.push(hint.into());
        self
    }
}

fn look(style: Style) -> Look {
    let colour = |colour: AnsiColor| Look::new().fg_color(Some(colour.into()));
    match style {
        Style::Plain => Look::new(),
        Style::Strong => Look::new().bold(),
        Style::Faint => Look::new().dimmed(),
        Style::Pass => colour(AnsiColor::Green),
        Style::Fail => colour(AnsiColor::Red).bold(),
        Style::Inconclusive => colour(AnsiColor::Yellow),
        Style::Error => colour(AnsiColor::Magenta).bold(),
        Style::Uncovered => colour(AnsiColor::Red).effects(Effects::UNDERLINE),
    }
}

fn write_diagnostic(out: &mut (impl Write + ?Sized), diagnostic: &Diagnostic) -> io::Result<()> {
    for (piece, text) in diagnostic.pieces() {
        let of_severity = |severity| match severity {
            Severity::Error => look(Style::Fail),
            Severity::Warning => look(Style::Inconclusive),
        };
        let look = match piece {
            Piece::Plain => Look::new(),
            Piece::Place | Piece::Message => look(Style::Strong),
            Piece::Severity(severity) | Piece::Caret(severity) => of_severity(severity),
            Piece::Gutter | Piece::Hint => look(Style::Faint),
        };
        // The pieces hold line ends of their own; everything else in them was
        // made printable when they were cut out of the file.
        write!(out, "{look}{text}{look:#}")?;
    }
    Ok(())
}
