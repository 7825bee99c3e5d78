#include "gather/lock_check.hpp"

#include <algorithm>
#include <cmath>
#include <functional>
#include <map>
#include <utility>

#include "base/text.hpp"
#include "gather/name_order.hpp"
#include "gather/setting_text.hpp"

namespace broadloom {
namespace {

/// What one frame says of one setting: a number where nearness counts, and the text that is shown.
struct Value {
    std::string text;
    double number = 0;
};

struct Setting {
    std::string what;
    std::function<std::optional<Value>(const Photo&)> read;
    /// Whether two values are one setting; the rest is rounding of the tag.
    std::function<bool(const Value&, const Value&)> same;
    /// What a frame with `value` does in a set with `usual`.
    std::function<std::string(const Value& value, const Value& usual)> effect;
    /// What this value does when it is the set's own; empty: nothing.
    std::function<std::string(const Value&)> effect_on_set;
    bool absent_tells = true;  ///< whether frames without it are worth a word
};

bool same_text(const Value& a, const Value& b) { return a.text == b.text; }

std::function<bool(const Value&, const Value&)> within(double share, double least) {
    return [=](const Value& a, const Value& b) {
        return a.text == b.text || std::abs(a.number - b.number) <=
                                       std::max(least, share * std::max(a.number, b.number));
    };
}

using Number = std::optional<double> PhotoTags::*;
using Flag = std::optional<bool> PhotoTags::*;

std::function<std::optional<Value>(const Photo&)> number(Number member,
                                                         std::string (*text)(double)) {
    return [=](const Photo& p) -> std::optional<Value> {
        const std::optional<double> v = p.tags.*member;
        if (!v || !std::isfinite(*v) || *v <= 0) return std::nullopt;
        return Value{text(*v), *v};
    };
}

std::function<std::optional<Value>(const Photo&)> flag(Flag member, const std::string& yes,
                                                       const std::string& no) {
    return [=](const Photo& p) -> std::optional<Value> {
        const std::optional<bool> v = p.tags.*member;
        if (!v) return std::nullopt;
        return Value{*v ? yes : no, *v ? 1.0 : 0.0};
    };
}

/// Brightness by `stops`, and what follows.
std::string brightness(double stops, const std::string& besides = {}) {
    const std::string rest = besides.empty() ? std::string() : "; " + besides;
    return stops > 0 ? stops_text(stops) +
                           " brighter; aligning evens it out, clipped lights stay lost" + rest
                     : stops_text(stops) +
                           " darker; aligning evens it out, with more noise in the shadows" + rest;
}

/// For settings that are on or off: one effect for the frame that differs, one for the set.
Setting switched(const std::string& what, Flag member, const std::string& yes,
                 const std::string& no, const std::string& effect, bool bad,
                 const std::string& effect_on_set) {
    Setting s;
    s.what = what;
    s.read = flag(member, yes, no);
    s.same = same_text;
    s.effect = [=](const Value&, const Value&) { return effect; };
    s.effect_on_set = [=](const Value& v) {
        return (v.number != 0) == bad ? effect_on_set : std::string();
    };
    return s;
}

std::vector<Setting> exposure_settings() {
    std::vector<Setting> list;
    // Nominal and measured values of one shutter speed differ by up to 2.4 % (1/60 and 1/64 by
    // more: those are told), a third of a stop is 26 %. Common practice.
    list.push_back({"exposure time",
                    number(&PhotoTags::exposure_s, exposure_text),
                    within(0.025, 0),
                    [](const Value& v, const Value& usual) {
                        return brightness(std::log2(v.number / usual.number));
                    },
                    {}});
    list.push_back({"aperture",
                    number(&PhotoTags::f_number, aperture_text),
                    within(0.01, 0),
                    [](const Value& v, const Value& usual) {
                        return brightness(2 * std::log2(usual.number / v.number),
                                          "depth of field and the dark corners differ as well");
                    },
                    {}});
    list.push_back({"ISO",
                    number(&PhotoTags::iso, iso_text),
                    within(0.01, 0),
                    [](const Value& v, const Value& usual) {
                        return brightness(std::log2(v.number / usual.number),
                                          "its grain differs from its neighbours'");
                    },
                    {}});
    list.push_back(switched("exposure mode", &PhotoTags::auto_exposure, "automatic", "manual",
                            "exposure may differ from the other frames'", true,
                            "exposure may change from frame to frame"));
    list.push_back(switched("flash", &PhotoTags::flash_fired, "fired", "did not fire",
                            "near things are lit as in no neighbouring frame", true,
                            "near things are lit anew in each frame and do not match"));
    list.push_back(switched("white balance", &PhotoTags::auto_white_balance, "automatic", "fixed",
                            "colours may differ from the other frames'; aligning evens out "
                            "only a part of it",
                            true, "colours may drift from frame to frame"));
    return list;
}

std::vector<Setting> focus_settings() {
    std::vector<Setting> list;
    // A zoom's tag is rounded to whole millimetres or better.
    list.push_back({"focal length",
                    number(&PhotoTags::focal_mm, focal_text),
                    within(0.005, 0),
                    [](const Value& v, const Value& usual) {
                        const double share = 100 * (v.number / usual.number - 1);
                        return "things look " + short_number(std::abs(share), 1) + " % " +
                               (share > 0 ? "larger" : "smaller") +
                               "; the frame is treated as one of another camera";
                    },
                    {}});
    // Cameras know the distance in coarse steps, and the tag holds centimetres: common practice.
    list.push_back(
        {"focus distance",
         number(&PhotoTags::focus_distance_m, distance_text),
         within(0.03, 0.02),
         [](const Value&, const Value&) { return "may be soft and of another magnification"; },
         {}});
    list.push_back(switched("focus mode", &PhotoTags::manual_focus, "manual", "automatic",
                            "may be soft and of another magnification", false,
                            "focus and magnification may change from frame to frame"));
    return list;
}

std::optional<Value> text_value(const std::string& text) {
    if (text.empty()) return std::nullopt;
    return Value{escaped(text), 0};
}

std::vector<Setting> body_settings() {
    std::vector<Setting> list;
    list.push_back({"size",
                    [](const Photo& p) -> std::optional<Value> {
                        if (p.info.stored_width <= 0 || p.info.stored_height <= 0) return {};
                        return Value{std::to_string(p.info.stored_width) + " x " +
                                         std::to_string(p.info.stored_height),
                                     0};
                    },
                    same_text,
                    [](const Value&, const Value&) {
                        return "of another shape or resolution; the frame is treated as one of "
                               "another camera";
                    },
                    {}});
    list.push_back({"camera",
                    [](const Photo& p) {
                        std::string text = p.tags.model;
                        // Many models begin with their maker's name.
                        if (text.substr(0, p.tags.make.size()) != p.tags.make) {
                            text = p.tags.make + (text.empty() ? "" : " ") + text;
                        }
                        return text_value(text);
                    },
                    same_text,
                    [](const Value&, const Value&) {
                        return "colours, sharpness and field of view may differ; the frame is "
                               "treated as one of another camera";
                    },
                    {}});
    Setting serial{"serial number",
                   [](const Photo& p) { return text_value(p.tags.serial); },
                   same_text,
                   [](const Value&, const Value&) {
                       return "another camera of the same kind: colours and the place of the lens' "
                              "axis may differ";
                   },
                   {}};
    serial.absent_tells = false;
    list.push_back(std::move(serial));
    list.push_back({"lens",
                    [](const Photo& p) { return text_value(p.tags.lens); },
                    same_text,
                    [](const Value&, const Value&) {
                        return "distortion, sharpness and dark corners differ from the other "
                               "frames'";
                    },
                    {}});
    return list;
}

/// The most frequent value; of equals the earlier. Values that are one setting count together.
size_t usual_frame(const std::vector<std::optional<Value>>& values, const Setting& setting) {
    struct Distinct {
        size_t first, count;
    };
    std::vector<Distinct> distinct;
    std::map<std::string, size_t> known;
    for (size_t i = 0; i < values.size(); ++i) {
        if (!values[i]) continue;
        const auto [at, fresh] = known.try_emplace(values[i]->text, distinct.size());
        if (fresh) distinct.push_back({i, 0});
        ++distinct[at->second].count;
    }
    // Of values that count together the one that most frames have.
    size_t best = values.size(), most = 0, most_own = 0;
    for (const Distinct& d : distinct) {
        size_t count = 0;
        for (const Distinct& other : distinct) {
            if (setting.same(*values[d.first], *values[other.first])) count += other.count;
        }
        if (count > most || (count == most && d.count > most_own &&
                             setting.same(*values[best], *values[d.first]))) {
            most = count;
            most_own = d.count;
            best = d.first;
        }
    }
    return best;
}

/// Frames that lack what others say: one finding for all settings that the same frames lack.
using Absent = std::map<std::vector<size_t>, std::vector<std::string>>;

void add_absent(const std::vector<Photo>& photos, const Absent& absent,
                std::vector<Finding>& findings) {
    for (const auto& [frames, settings] : absent) {
        std::string list;
        for (const std::string& s : settings) list += (list.empty() ? "" : ", ") + s;
        findings.push_back({"", settings.size() == 1 ? list : "camera data",
                            (settings.size() == 1 ? std::string() : list + " ") +
                                "not recorded in " + std::to_string(frames.size()) + " of " +
                                std::to_string(photos.size()) + " frames (" +
                                name_list(photos, frames) + ")",
                            "recorded", "whether these frames were locked cannot be told"});
    }
}

}  // namespace

std::vector<Finding> check_lock(const std::vector<Photo>& photos) {
    std::vector<Setting> settings = exposure_settings();
    for (auto more : {focus_settings(), body_settings()}) {
        std::move(more.begin(), more.end(), std::back_inserter(settings));
    }
    std::vector<Finding> of_set;
    std::vector<std::vector<Finding>> of_frame(photos.size());
    Absent absent;
    for (const Setting& setting : settings) {
        std::vector<std::optional<Value>> values;
        std::vector<size_t> missing;
        values.reserve(photos.size());
        for (size_t i = 0; i < photos.size(); ++i) {
            values.push_back(setting.read(photos[i]));
            if (!values.back()) missing.push_back(i);
        }
        if (missing.size() == photos.size()) continue;
        if (!missing.empty() && setting.absent_tells) absent[missing].push_back(setting.what);
        const Value usual = *values[usual_frame(values, setting)];
        if (setting.effect_on_set) {
            const std::string effect = setting.effect_on_set(usual);
            if (!effect.empty()) of_set.push_back({"", setting.what, usual.text, "", effect});
        }
        for (size_t i = 0; i < photos.size(); ++i) {
            if (!values[i] || setting.same(*values[i], usual)) continue;
            of_frame[i].push_back({photos[i].name, setting.what, values[i]->text, usual.text,
                                   setting.effect(*values[i], usual)});
        }
    }
    add_absent(photos, absent, of_set);
    for (std::vector<Finding>& findings : of_frame) {
        std::move(findings.begin(), findings.end(), std::back_inserter(of_set));
    }
    return of_set;
}

}  // namespace broadloom
