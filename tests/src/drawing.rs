//! Blocks and wires as SVG.

use std::collections::BTreeMap;
use std::fmt::Write as _;

struct Block {
    x: u32,
    y: u32,
    width: u32,
    height: u32,
}

/// The SVG of a text with `box` and `wire` lines.
///
/// # Errors
/// The line that is not understood.
pub fn rig_drawing(text: &str) -> Result<String, String> {
    let mut boxes: BTreeMap<&str, Block> = BTreeMap::new();
    let (mut shapes, mut wires) = (String::new(), String::new());
    for line in text.lines().map(str::trim).filter(|line| !line.is_empty() && !line.starts_with('#')) {
        let mut parts = line.split('|').map(str::trim);
        let words: Vec<&str> = parts.next().unwrap_or("").split_whitespace().collect();
        let understood = match words[..] {
            ["box", name, x, y, width, height] => {
                let number = |text: &str| text.parse::<u32>().map_err(|_| line.to_owned());
                let block = Block { x: number(x)?, y: number(y)?, width: number(width)?, height: number(height)? };
                let middle = block.x + block.width / 2;
                let _ = writeln!(
                    shapes,
                    "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"#ffffff\" stroke=\"#333333\"/>",
                    block.x, block.y, block.width, block.height
                );
                let mut at = block.y + block.height / 2 - 3;
                for (number, words) in parts.enumerate() {
                    let weight = if number == 0 { " font-weight=\"bold\"" } else { "" };
                    let _ = writeln!(
                        shapes,
                        "<text x=\"{middle}\" y=\"{at}\" text-anchor=\"middle\"{weight}>{words}</text>"
                    );
                    at += 17;
                }
                boxes.insert(name, block);
                true
            }
            ["wire", from, to] => {
                let (Some(from), Some(to)) = (boxes.get(from), boxes.get(to)) else { return Err(line.to_owned()) };
                // From edge to edge, down where the boxes stand above each other.
                let (x1, y1, x2, y2) = if to.x >= from.x + from.width {
                    let y = (to.y + to.height / 2).clamp(from.y + 8, from.y + from.height - 8);
                    (from.x + from.width, y, to.x, (to.y + to.height / 2).clamp(to.y, to.y + to.height))
                } else {
                    (from.x + from.width / 2, from.y + from.height, to.x + to.width / 2, to.y)
                };
                let y2 = if to.height > 200 { y1 } else { y2 };
                let _ = writeln!(wires, "<path d=\"M{x1} {y1}L{x2} {y2}\" stroke=\"#777777\" fill=\"none\"/>");
                if let Some(words) = parts.next() {
                    let _ = writeln!(
                        wires,
                        "<text x=\"{}\" y=\"{}\" font-size=\"11\" fill=\"#555555\">{words}</text>",
                        (x1 + x2) / 2 - 20,
                        (y1 + y2) / 2 - 4
                    );
                }
                true
            }
            _ => false,
        };
        if !understood {
            return Err(line.to_owned());
        }
    }
    Ok(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 900 610\" width=\"900\" height=\"610\" \
         font-family=\"sans-serif\" font-size=\"13\">\n<title>The rig in blocks</title>\n\
         <rect width=\"100%\" height=\"100%\" fill=\"#ffffff\"/>\n{wires}{shapes}</svg>\n"
    ))
}
