/// The resampling kernel: a sinc under a Kaiser window (beta = 4) over six samples, chosen by
/// measurement (tests/bench/resample_bench.cpp). Where the canvas is coarser than the frame it is
/// stretched, so that detail which the canvas cannot hold does not come back as a false pattern.
///
/// Weights are polynomials of the position t, 0..1, between the two middle samples. With s = t -
/// 1/2 and z = s^2, sample p from the left weighs even + odd and sample p from the right even -
/// odd, where
///   even = (even[p][2] z + even[p][1]) z + even[p][0],
///   odd = ((odd[p][2] z + odd[p][1]) z + odd[p][0]) s.
/// They lie within 2e-4 of the kernel, meet it at the samples and sum to one.
///
/// Planes of 8 bits take six samples in whole numbers: weights are multiples of 2^-14, which are
/// the same polynomials in 16-bit arithmetic with s' = 2 s and z' = s'^2 as multiples of 2^-15,
/// and sum to one exactly.
#pragma once

#include <cstdint>

namespace broadloom {

inline constexpr int kUsualTaps = 6;
inline constexpr int kMostTaps = 8;

struct Taps {
    int count = kUsualTaps;  ///< or kMostTaps
    float even[kMostTaps / 2][3] = {};
    float odd[kMostTaps / 2][3] = {};
    /// The same for s' and z' in units of 2^-14; the middle pair's even part is what the others
    /// leave of a half. Only of six.
    int16_t whole_even[kUsualTaps / 2 - 1][3] = {};
    int16_t whole_odd[kUsualTaps / 2][3] = {};
};

/// Positions between samples are multiples of 2^-kPhaseBits in whole-number arithmetic.
inline constexpr int kPhaseBits = 12;
inline constexpr int kPhases = 1 << kPhaseBits;
/// One as a weight in whole numbers.
inline constexpr int kWholeOne = 1 << 14;
/// Sums along a row are cut (rounded) by this many bits before they are summed over the rows: 255
/// becomes 255 * 64, which leaves room for what a kernel overshoots.
inline constexpr int kLineShift = 8, kLinearLineShift = 6;
/// What sums over both directions are multiplied by.
inline constexpr float kWholeScale = 1.0F / (64.0F * 16384.0F);
inline constexpr float kLinearScale = 1.0F / (64.0F * 4096.0F);

/// The weights in whole numbers at `phase`, 0..kPhases - 1; defines what vector code computes.
void whole_weights(const Taps& taps, int32_t phase, int16_t w[kUsualTaps]);

/// Weights for `ratio` samples of a frame to a canvas pixel: the usual kernel up to kStretchFrom,
/// then stretched by the ratio, at most by 2 (a coarser canvas takes frames decoded at half size).
/// Six samples serve up to a ratio of 1.5, which makes the kernel shorter in canvas pixels and
/// softer as the ratio grows; measured, that is no worse than longer ones and rings less.
Taps make_taps(double ratio);
inline constexpr double kStretchFrom = 1.05;
inline constexpr double kMostStretch = 2;

/// make_taps(1).
const Taps& usual_taps();

/// The kernel's value `distance` samples away (any sign) when stretched by `stretch`; not
/// normalised.
double kernel_value(double distance, double stretch);

}  // namespace broadloom
