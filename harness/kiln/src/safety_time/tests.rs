use super::*;
use crate::three_ring;

#[test]
fn probe_it() {
    let kiln = three_ring();
    let mut grid = SafetyGrid::usual(&kiln, Celsius::new(0.1));
    grid.reading_rises = vec![Celsius::new(20.0), Celsius::new(50.0)];
    let begin = std::time::Instant::now();
    for case in safety_times(&kiln, &grid).unwrap() {
        println!("{case:?}");
    }
    println!("{:?}", begin.elapsed());
}
