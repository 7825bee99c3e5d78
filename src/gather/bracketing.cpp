/// Is every aim there at several exposures?
#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <string_view>

#include "base/text.hpp"
#include "gather/sequence.hpp"
#include "gather/setting_text.hpp"

namespace broadloom {
namespace {

using Exposures = std::vector<std::optional<double>>;

/// Steps between the exposures of a bracket are a third of a stop or more; nominal shutter speeds
/// round it to 0.29 and less. What repeats does so within the rounding of nominal values.
constexpr double kLeastStepEv = 0.29, kSameEv = 0.15;
constexpr size_t kMostOfAim = 9;

/// Exposure of each frame: log2(t ISO / (100 N^2)); what a whole set leaves out is left out.
Exposures exposures_of(const std::vector<Photo>& photos) {
    const auto any = [&](std::optional<double> PhotoTags::*member) {
        return std::any_of(photos.begin(), photos.end(),
                           [&](const Photo& p) { return (p.tags.*member).has_value(); });
    };
    const bool with_iso = any(&PhotoTags::iso), with_aperture = any(&PhotoTags::f_number);
    Exposures result;
    for (const Photo& p : photos) {
        const PhotoTags& t = p.tags;
        if (!t.exposure_s || (with_iso && !t.iso) || (with_aperture && !t.f_number)) {
            result.emplace_back();
            continue;
        }
        double ev = std::log2(*t.exposure_s);
        if (with_iso) ev += std::log2(*t.iso / 100);
        if (with_aperture) ev -= 2 * std::log2(*t.f_number);
        result.emplace_back(std::isfinite(ev) ? std::optional(ev) : std::nullopt);
    }
    return result;
}

/// Frames of one aim when the values go up and down in a pattern that repeats over the whole run;
/// 0 when they do not. A retake or a missing frame shifts the pattern: some frames may not fit.
size_t period_of(const Exposures& values) {
    const size_t n = values.size();
    size_t steps = 0;
    for (size_t i = 1; i < n; ++i) {
        if (values[i] && values[i - 1] && std::abs(*values[i] - *values[i - 1]) >= kLeastStepEv) {
            ++steps;
        }
    }
    if (n < 4 || static_cast<double>(steps) < 0.9 * static_cast<double>(n - 1)) return 0;
    for (size_t period = 2; period <= kMostOfAim && 2 * period <= n; ++period) {
        size_t same = 0;
        for (size_t i = period; i < n; ++i) {
            if (values[i] && values[i - period] &&
                std::abs(*values[i] - *values[i - period]) < kSameEv) {
                ++same;
            }
        }
        if (static_cast<double>(same) >= 0.8 * static_cast<double>(n - period)) return period;
    }
    return 0;
}

/// The exposures of an aim, against the one that is neither lightest nor darkest (of an even
/// number, the first).
std::string pattern_text(const Exposures& values, size_t period) {
    std::vector<double> first;
    for (size_t i = 0; i < period; ++i) first.push_back(values[i].value_or(0));
    double base = first.front();
    if (period % 2 == 1) {
        std::vector<double> sorted = first;
        std::sort(sorted.begin(), sorted.end());
        base = sorted[period / 2];
    }
    std::string text;
    for (const double v : first) text += (text.empty() ? "" : ", ") + ev_text(v - base);
    return text;
}

std::string count_word(size_t count) {
    constexpr std::array<std::string_view, kMostOfAim + 1> kWords{
        "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"};
    return std::string(kWords[count]);
}

/// Whether more than half of the frames that say it say yes, and most do say it.
bool mostly(const std::vector<Photo>& photos, std::optional<bool> PhotoTags::*member) {
    const auto yes = std::count_if(photos.begin(), photos.end(), [&](const Photo& p) {
        return (p.tags.*member).value_or(false);
    });
    return 2 * static_cast<size_t>(yes) > photos.size();
}

bool vary(const Exposures& values) {
    std::optional<double> least, most;
    for (const auto& v : values) {
        if (!v) continue;
        least = std::min(*v, least.value_or(*v));
        most = std::max(*v, most.value_or(*v));
    }
    return least && *most - *least >= kLeastStepEv;
}

}  // namespace

std::string bracketing_problem(const std::vector<Photo>& photos) {
    if (photos.size() < 2) return {};
    const Exposures exposures = exposures_of(photos);
    Exposures biases;
    biases.reserve(photos.size());
    for (const Photo& p : photos) biases.push_back(p.tags.exposure_bias_ev);
    const bool flagged = mostly(photos, &PhotoTags::auto_bracket);

    const std::string advice =
        "; keep one exposure of each aim in a folder of its own, and gather that";
    const std::string begin =
        escaped(photos.front().name) + " to " + escaped(photos.back().name) + ": ";
    const auto found = [&](const Exposures& values, size_t period) {
        return begin + "the set is bracketed, " + count_word(period) + " exposures (" +
               pattern_text(values, period) + " EV) of each aim" + advice;
    };
    if (const size_t period = period_of(biases); period > 0) return found(biases, period);
    // Where the camera meters, rows of sky and ground alternate without any bracket: there only
    // the bias or the flag tells one.
    if (flagged || !mostly(photos, &PhotoTags::auto_exposure)) {
        if (const size_t period = period_of(exposures); period > 0) {
            return found(exposures, period);
        }
    }
    const bool known = std::any_of(exposures.begin(), exposures.end(),
                                   [](const auto& v) { return v.has_value(); });
    // The flag is set for brackets of white balance and focus, too.
    if (flagged && (!known || vary(exposures))) {
        return begin + "the camera marked the set as bracketed, several exposures of each aim" +
               advice;
    }
    return {};
}

}  // namespace broadloom
