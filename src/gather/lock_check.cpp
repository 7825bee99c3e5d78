#include "gather/lock_check.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <functional>
#include <optional>
#include <utility>

#include "base/text.hpp"

namespace broadloom {
namespace {

std::string formatted(const char* format, double value) {
    char text[48];
    std::snprintf(text, sizeof text, format, value);
    return text;
}

/// As photographers write it: 1/320 s, 0.6 s, 8 s.
std::string exposure_text(double seconds) {
    constexpr double kFraction = 0.4;
    if (seconds < kFraction) return formatted("1/%.0f s", 1 / seconds);
    return formatted("%.3g s", seconds);
}

std::string stops_text(double stops) {
    const double size = std::abs(stops);
    const double thirds = std::round(size * 3);
    std::string amount = formatted("%.1f stops", size);
    if (std::abs(size * 3 - thirds) < 0.15 && thirds >= 1) {
        const int n = static_cast<int>(thirds);
        const int whole = n / 3;
        const int rest = n % 3;
        amount = rest == 0 ? std::to_string(whole) + (whole == 1 ? " stop" : " stops")
                           : (whole > 0 ? std::to_string(whole) + " " : "") + std::to_string(rest) +
                                 "/3 " + (whole > 0 ? "stops" : "stop");
    }
    return amount;
}

std::string light_effect(double stops) {
    return stops_text(stops) + (stops > 0 ? " brighter" : " darker") +
           "; aligning evens it out, but " +
           (stops > 0 ? "lights that are clipped stay lost" : "its shadows are noisier");
}

/// A setting as it is compared: absent, or a number (equal within a share) or a word.
struct Value {
    double number = 0;
    std::string word;
    std::string text;  ///< for people
};

struct Setting {
    std::string what;
    std::function<std::optional<Value>(const Photo&)> of;
    /// Values this near are the same (a share of the value).
    double tolerance = 0;
    std::function<std::string(const Value& value, const Value& usual)> effect;
};

bool same(const Value& a, const Value& b, double tolerance) {
    return a.word == b.word && std::abs(a.number - b.number) <=
                                   tolerance * std::max(std::abs(a.number), std::abs(b.number));
}

Value number(double value, const std::string& text) { return {value, {}, text}; }
Value word(const std::string& value) { return {0, value, value}; }

std::optional<Value> if_set(const std::optional<bool>& flag, const char* yes, const char* no) {
    if (!flag) return std::nullopt;
    return word(*flag ? yes : no);
}

std::vector<Setting> settings() {
    const auto says = [](const char* text) {
        return [text](const Value&, const Value&) { return std::string(text); };
    };
    std::vector<Setting> list;
    list.push_back({"exposure time",
                    [](const Photo& p) -> std::optional<Value> {
                        if (!p.tags.exposure_s) return std::nullopt;
                        return number(*p.tags.exposure_s, exposure_text(*p.tags.exposure_s));
                    },
                    0.05,
                    [](const Value& v, const Value& usual) {
                        return light_effect(std::log2(v.number / usual.number));
                    }});
    list.push_back({"aperture",
                    [](const Photo& p) -> std::optional<Value> {
                        if (!p.tags.f_number) return std::nullopt;
                        return number(*p.tags.f_number, formatted("f/%.3g", *p.tags.f_number));
                    },
                    0.05,
                    [](const Value& v, const Value& usual) {
                        return light_effect(2 * std::log2(usual.number / v.number)) +
                               "; its depth of field and vignetting differ too";
                    }});
    list.push_back({"sensitivity",
                    [](const Photo& p) -> std::optional<Value> {
                        if (!p.tags.iso) return std::nullopt;
                        return number(*p.tags.iso, formatted("ISO %.0f", *p.tags.iso));
                    },
                    0.05,
                    [](const Value& v, const Value& usual) {
                        return light_effect(std::log2(v.number / usual.number)) +
                               "; its noise differs";
                    }});
    list.push_back({"focal length",
                    [](const Photo& p) -> std::optional<Value> {
                        if (!p.tags.focal_mm) return std::nullopt;
                        return number(*p.tags.focal_mm, formatted("%.4g mm", *p.tags.focal_mm));
                    },
                    0.005,
                    says("of another magnification; it is solved as a camera of its own, "
                         "and its sharpness may differ")});
    list.push_back(
        {"white balance",
         [](const Photo& p) { return if_set(p.tags.auto_white_balance, "automatic", "manual"); }, 0,
         says("its colours may differ from its neighbours'")});
    list.push_back(
        {"exposure mode",
         [](const Photo& p) { return if_set(p.tags.auto_exposure, "automatic", "manual"); }, 0,
         says("its brightness may differ from its neighbours'")});
    list.push_back({"flash",
                    [](const Photo& p) { return if_set(p.tags.flash_fired, "fired", "off"); }, 0,
                    says("near things are lit in this frame alone and cannot match")});
    list.push_back(
        {"focus mode",
         [](const Photo& p) { return if_set(p.tags.manual_focus, "manual", "automatic"); }, 0,
         says("it may be focused elsewhere: soft, and of another magnification")});
    list.push_back({"focus distance",
                    [](const Photo& p) -> std::optional<Value> {
                        if (!p.tags.focus_distance_m) return std::nullopt;
                        return number(*p.tags.focus_distance_m,
                                      formatted("%.3g m", *p.tags.focus_distance_m));
                    },
                    // The tag is coarse: cameras write a few dozen steps from near to far.
                    0.1, says("focused elsewhere: it may be soft and of another magnification")});
    list.push_back({"size",
                    [](const Photo& p) -> std::optional<Value> {
                        const auto longer = std::max(p.info.stored_width, p.info.stored_height);
                        const auto shorter = std::min(p.info.stored_width, p.info.stored_height);
                        return word(std::to_string(longer) + " x " + std::to_string(shorter));
                    },
                    0, says("it is solved as a camera of its own")});
    list.push_back({"camera",
                    [](const Photo& p) -> std::optional<Value> {
                        if (p.tags.model.empty()) return std::nullopt;
                        return word(p.tags.make + " " + p.tags.model);
                    },
                    0, says("another camera renders colours and detail differently")});
    list.push_back({"lens",
                    [](const Photo& p) -> std::optional<Value> {
                        if (p.tags.lens.empty()) return std::nullopt;
                        return word(p.tags.lens);
                    },
                    0, says("another lens distorts and darkens its corners differently")});
    return list;
}

void check_setting(const std::vector<Photo>& photos, const Setting& setting,
                   std::vector<Finding>& findings) {
    std::vector<std::optional<Value>> values;
    std::vector<std::pair<Value, size_t>> counts;
    size_t absent = 0;
    for (const Photo& p : photos) {
        values.push_back(setting.of(p));
        if (!values.back()) {
            ++absent;
            continue;
        }
        const auto known = std::find_if(counts.begin(), counts.end(), [&](const auto& c) {
            return same(c.first, *values.back(), setting.tolerance);
        });
        if (known == counts.end()) {
            counts.emplace_back(*values.back(), 1);
        } else {
            ++known->second;
        }
    }
    if (counts.empty()) return;
    // Of equally frequent values the earlier one is the usual.
    const auto usual =
        std::max_element(counts.begin(), counts.end(),
                         [](const auto& a, const auto& b) { return a.second < b.second; });
    for (size_t i = 0; i < photos.size(); ++i) {
        if (!values[i] || same(usual->first, *values[i], setting.tolerance)) continue;
        findings.push_back({photos[i].name, setting.what, values[i]->text, usual->first.text,
                            setting.effect(*values[i], usual->first)});
    }
    if (absent > 0) {
        findings.push_back({"", setting.what,
                            "not told by " + std::to_string(absent) + " of " +
                                std::to_string(photos.size()) + " frames",
                            usual->first.text, "these frames could not be checked"});
    }
}

/// Settings that were left on automatic for the whole set: one finding each.
void check_automatic(const std::vector<Photo>& photos, const char* what,
                     std::optional<bool> PhotoTags::*flag, const char* effect,
                     std::vector<Finding>& findings) {
    size_t told = 0;
    size_t automatic = 0;
    for (const Photo& p : photos) {
        if (!(p.tags.*flag)) continue;
        ++told;
        automatic += *(p.tags.*flag) ? 1U : 0U;
    }
    if (told > 0 && automatic == told) {
        findings.push_back({"", what, "automatic", "locked (common practice)", effect});
    }
}

std::string orientation_text(int orientation) {
    static const char* const kTexts[] = {"upright",
                                         "mirrored",
                                         "upside down",
                                         "upside down and mirrored",
                                         "on its side and mirrored",
                                         "turned to the right",
                                         "on its other side and mirrored",
                                         "turned to the left"};
    return std::to_string(orientation) + " (" + kTexts[orientation - 1] + ")";
}

}  // namespace

std::vector<Finding> check_lock(const std::vector<Photo>& photos) {
    std::vector<Finding> findings;
    for (const Setting& setting : settings()) check_setting(photos, setting, findings);
    check_automatic(photos, "white balance", &PhotoTags::auto_white_balance,
                    "colours may drift from frame to frame; aligning evens out what it can",
                    findings);
    check_automatic(photos, "exposure mode", &PhotoTags::auto_exposure,
                    "brightness may jump from frame to frame; clipped lights stay lost", findings);
    return findings;
}

std::vector<Finding> settle_orientation(std::vector<Photo>& photos, std::optional<int> wanted) {
    std::vector<Finding> findings;
    if (wanted) {
        for (Photo& p : photos) p.orientation = *wanted;
        return findings;
    }
    // Frames of one stored size belong together.
    std::vector<std::pair<std::pair<int64_t, int64_t>, std::vector<size_t>>> sizes;
    for (size_t i = 0; i < photos.size(); ++i) {
        const std::pair size{photos[i].info.stored_width, photos[i].info.stored_height};
        const auto known = std::find_if(sizes.begin(), sizes.end(),
                                        [&](const auto& s) { return s.first == size; });
        if (known == sizes.end()) {
            sizes.push_back({size, {i}});
        } else {
            known->second.push_back(i);
        }
    }
    for (const auto& [size, members] : sizes) {
        std::array<size_t, 9> count{};
        for (const size_t i : members) ++count[static_cast<size_t>(photos[i].orientation)];
        const size_t most = *std::max_element(count.begin(), count.end());
        int usual = 0;
        for (const size_t i : members) {
            if (usual == 0 && count[static_cast<size_t>(photos[i].orientation)] == most) {
                usual = photos[i].orientation;
            }
        }
        for (const size_t i : members) {
            Photo& p = photos[i];
            if (p.orientation == usual) continue;
            findings.push_back({p.name, "orientation", orientation_text(p.orientation),
                                orientation_text(usual),
                                "taken as the others are: at steep pitch cameras mistake which "
                                "way is up (--orientation overrides)"});
            p.orientation = usual;
        }
    }
    return findings;
}

}  // namespace broadloom
