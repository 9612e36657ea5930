// @ts-check
/** Exact fractions on whole numbers of any size: enough arithmetic to judge a reading, and no more. */

/** @param {bigint} a @param {bigint} b */
const divisor = (a, b) => {
  while (b) [a, b] = [b, a % b];
  return a < 0n ? -a : a;
};

export class Fraction {
  /** @param {bigint} top @param {bigint} bottom */
  constructor(top, bottom = 1n) {
    if (bottom === 0n) throw new RangeError("A fraction needs a denominator other than nought.");
    const common = divisor(top, bottom) * (bottom < 0n ? -1n : 1n);
    this.top = top / common;
    this.bottom = bottom / common;
  }

  /** The value as written: a number, figures with a decimal point, or n/d. @param {number | string} written */
  static of(written) {
    const parts = String(written).split("/");
    if (parts.length === 2) return Fraction.of(parts[0]).over(Fraction.of(parts[1]));
    const [, sign, whole, decimals = ""] = /^([+-]?)(\d*)(?:\.(\d*))?$/.exec(String(written)) ?? [];
    if (whole === undefined || whole + decimals === "")
      throw new RangeError(`${written} is no plain number.`);
    return new Fraction(
      BigInt(`${sign === "-" ? "-" : ""}${whole}${decimals}`),
      10n ** BigInt(decimals.length),
    );
  }

  /** @param {Fraction} other */
  plus(other) {
    return new Fraction(this.top * other.bottom + other.top * this.bottom, this.bottom * other.bottom);
  }

  /** @param {Fraction} other */
  minus(other) {
    return this.plus(other.negated());
  }

  /** @param {Fraction} other */
  times(other) {
    return new Fraction(this.top * other.top, this.bottom * other.bottom);
  }

  /** @param {Fraction} other */
  over(other) {
    return new Fraction(this.top * other.bottom, this.bottom * other.top);
  }

  negated() {
    return new Fraction(-this.top, this.bottom);
  }

  size() {
    return this.top < 0n ? this.negated() : this;
  }

  /** @param {Fraction} other */
  isLess(other) {
    return this.top * other.bottom < other.top * this.bottom;
  }

  /** @param {Fraction} other */
  isMore(other) {
    return other.isLess(this);
  }

  /** @param {Fraction} other */
  equals(other) {
    return this.top === other.top && this.bottom === other.bottom;
  }

  isWhole() {
    return this.bottom === 1n;
  }

  /** With exactly `places` decimals, halves away from nought. @param {number} places */
  fixed(places) {
    const { top, bottom } = this.size();
    const scaled = (2n * top * 10n ** BigInt(places) + bottom) / (2n * bottom);
    const digits = String(scaled).padStart(places + 1, "0");
    const sign = this.top < 0n && scaled !== 0n ? "-" : "";
    return places ? `${sign}${digits.slice(0, -places)}.${digits.slice(-places)}` : `${sign}${digits}`;
  }

  /** With at most `places` decimals and no trailing noughts. @param {number} places */
  plain(places) {
    const text = this.fixed(places);
    return text.includes(".") ? text.replace(/\.?0+$/, "") : text;
  }
}
