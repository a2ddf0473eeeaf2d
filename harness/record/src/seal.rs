//! The seal of a finished record: what its bytes were when it was closed.
//!
//! A small text file beside the record, so that it can be read, printed and signed
//! without any program of ours; `docs/record.md` is its specification. A seal finds
//! what happened by accident. Whoever changes a record on purpose can make a new
//! seal; only a signature over the seal shows that.

use std::path::{Path, PathBuf};

use rusqlite::Connection;
use sha2::{Digest, Sha256};

use crate::writer::with_ending;

const FIRST_LINE: &str = "dryfire seal 1";

/// The seal of one record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Seal {
    /// Length of the record.
    pub bytes: u64,
    /// SHA-256 of all its bytes, in lower-case hexadecimal.
    pub sha256: String,
    /// How long a page is.
    pub page_size: u64,
    pages: Vec<Page>,
}

/// A page of the record as it was.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Page {
    /// The first 32 hexadecimal digits of its SHA-256: enough to find it.
    hash: String,
    /// What it holds.
    owner: String,
}

/// A part of a record that is not as it was.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChangedPart {
    /// Its first byte.
    pub from: u64,
    /// The byte after its last.
    pub until: u64,
    /// What it holds, in words.
    pub what: String,
}

/// What comparing a record with its seal came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SealCheck {
    /// Every byte is as it was.
    Holds,
    /// The seal itself is no seal, or was changed.
    SealBroken {
        /// What is wrong with it.
        what: String,
    },
    /// The record is not as it was.
    Changed {
        /// Which parts, by their place.
        parts: Vec<ChangedPart>,
    },
}

/// Where the seal of a record lies.
pub fn path_of(record: &Path) -> PathBuf {
    with_ending(record, ".seal")
}

/// SHA-256 in lower-case hexadecimal.
pub fn sha256_hex(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

fn hex(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    let digits = bytes.iter().flat_map(|byte| [byte >> 4, byte & 15]);
    digits.map(|digit| char::from(DIGITS[usize::from(digit)])).collect()
}

/// Which table each page belongs to.
pub(crate) fn page_owners(connection: &Connection) -> rusqlite::Result<Vec<(u32, String)>> {
    let mut statement = connection.prepare(
        "SELECT pageno, coalesce(table_of.tbl_name, dbstat.name) FROM dbstat \
         LEFT JOIN sqlite_schema AS table_of ON table_of.name = dbstat.name ORDER BY pageno",
    )?;
    let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
    rows.collect()
}

impl Seal {
    /// The seal of these bytes.
    pub(crate) fn of(bytes: &[u8], owners: &[(u32, String)]) -> Self {
        let page_size = page_size(bytes);
        let pages = bytes.chunks(page_size as usize).enumerate().map(|(index, page)| {
            let owner = owners.iter().find(|(number, _)| *number as usize == index + 1);
            let owner = owner.map_or("unused", |(_, name)| name.as_str());
            Page { hash: short_hash(page), owner: owner.to_owned() }
        });
        Seal { bytes: bytes.len() as u64, sha256: sha256_hex(bytes), page_size, pages: pages.collect() }
    }

    /// The seal as it is written; its last line is the hash of all lines before it.
    pub fn text(&self) -> String {
        let mut text =
            format!("{FIRST_LINE}\nbytes {}\nsha256 {}\npage-size {}\n", self.bytes, self.sha256, self.page_size);
        for (index, page) in self.pages.iter().enumerate() {
            text.push_str(&format!("page {} {} {}\n", index + 1, page.hash, page.owner));
        }
        let hash = sha256_hex(text.as_bytes());
        text.push_str(&format!("seal {hash}\n"));
        text
    }

    /// Reads a seal.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn parse(text: &str) -> Result<Self, String> {
        let end = text.rfind("seal ").filter(|end| *end > 0).ok_or("it has no last line that begins with `seal`")?;
        let (body, last) = text.split_at(end);
        let said = last.strip_prefix("seal ").and_then(|hash| hash.strip_suffix('\n')).ok_or("its last line is cut")?;
        if said != sha256_hex(body.as_bytes()) {
            return Err("its last line does not fit the lines before it".to_owned());
        }
        let mut lines = body.lines();
        if lines.next() != Some(FIRST_LINE) {
            return Err(format!("its first line is not `{FIRST_LINE}`"));
        }
        let mut value = |key: &str| {
            let line = lines.next().unwrap_or("");
            line.strip_prefix(key).map(str::trim_start).ok_or(format!("the line `{key}` is missing"))
        };
        let number = |text: &str| text.parse::<u64>().map_err(|error| error.to_string());
        let bytes = number(value("bytes ")?)?;
        let sha256 = value("sha256 ")?.to_owned();
        let page_size = number(value("page-size ")?)?;
        let mut pages = Vec::new();
        for line in lines {
            let mut words = line.splitn(4, ' ');
            match (words.next(), words.next(), words.next(), words.next()) {
                (Some("page"), Some(_), Some(hash), Some(owner)) => {
                    pages.push(Page { hash: hash.to_owned(), owner: owner.to_owned() });
                }
                _ => return Err(format!("`{line}` is no line of a seal")),
            }
        }
        if page_size == 0 || pages.len() as u64 != bytes.div_ceil(page_size) {
            return Err("it does not have a line for each page".to_owned());
        }
        Ok(Seal { bytes, sha256, page_size, pages })
    }

    /// Whether a page, counted from 0, of these bytes is not as it was sealed.
    pub fn page_is_changed(&self, page: usize, bytes: &[u8]) -> bool {
        let from = page.saturating_mul(self.page_size as usize).min(bytes.len());
        let until = from.saturating_add(self.page_size as usize).min(bytes.len());
        self.pages.get(page).is_none_or(|sealed| short_hash(&bytes[from..until]) != sealed.hash)
    }

    /// Whether these bytes are what was sealed, and if not, which parts are not.
    pub fn check(&self, bytes: &[u8]) -> SealCheck {
        if bytes.len() as u64 == self.bytes && sha256_hex(bytes) == self.sha256 {
            return SealCheck::Holds;
        }
        let mut parts = Vec::new();
        let whole = &bytes[..bytes.len().min(usize::try_from(self.bytes).unwrap_or(usize::MAX))];
        for (index, page) in self.pages.iter().enumerate() {
            let from = index as u64 * self.page_size;
            let until = (from + self.page_size).min(self.bytes);
            let now = whole.get(from as usize..).unwrap_or_default();
            let now = &now[..now.len().min((until - from) as usize)];
            if now.is_empty() || (now.len() as u64) < until - from {
                let from = from + now.len() as u64;
                let what = format!("cut off: {} bytes are missing from here on", self.bytes - from);
                parts.push(ChangedPart { from, until: self.bytes, what });
                break;
            }
            if short_hash(now) != page.hash {
                let what = match index {
                    0 => "page 1: the file's header and the list of its tables".to_owned(),
                    _ => format!("page {}: `{}`", index + 1, page.owner),
                };
                parts.push(ChangedPart { from, until, what });
            }
        }
        let length = bytes.len() as u64;
        if length > self.bytes {
            let what = format!("{} bytes that were added at the end", length - self.bytes);
            parts.push(ChangedPart { from: self.bytes, until: length, what });
        }
        if parts.is_empty() {
            // Every page has the digits that were kept of its hash, and all together do not fit.
            parts.push(ChangedPart { from: 0, until: length, what: "somewhere; no page stands out".to_owned() });
        }
        SealCheck::Changed { parts }
    }
}

fn short_hash(page: &[u8]) -> String {
    hex(&Sha256::digest(page)[..16])
}

/// The page size in the header of an SQLite file (bytes 16 and 17, where 1 means 65,536;
/// sqlite.org/fileformat2.html, section 1.3).
fn page_size(bytes: &[u8]) -> u64 {
    match bytes.get(16..18) {
        Some([0, 1]) => 65_536,
        Some(&[high, low]) if high != 0 || low != 0 => u64::from(high) << 8 | u64::from(low),
        _ => 4_096,
    }
}
