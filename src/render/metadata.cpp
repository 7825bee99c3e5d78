#include "render/metadata.hpp"

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <cstdio>

#include "broadloom/render.hpp"
#include "broadloom/rotation.hpp"
#include "io/web_text.hpp"
#include "io/xmp_packet.hpp"

namespace broadloom {

namespace {

/// Valid UTF-8 in one line; control characters become spaces, spaces around it go.
std::string clean(const std::string& text) {
    std::string out = repair_utf8(text);
    for (char& c : out) {
        if (static_cast<unsigned char>(c) < 0x20 || c == 0x7F) c = ' ';
    }
    const size_t first = out.find_first_not_of(' ');
    if (first == std::string::npos) return {};
    return out.substr(first, out.find_last_not_of(' ') - first + 1);
}

/// The different texts in the order of the frames, without empty ones.
std::vector<std::string> different(const std::vector<PhotoTags>& tags,
                                   std::string PhotoTags::*text) {
    std::vector<std::string> found;
    for (const PhotoTags& t : tags) {
        std::string one = clean(t.*text);
        if (!one.empty() && std::find(found.begin(), found.end(), one) == found.end()) {
            found.push_back(std::move(one));
        }
    }
    return found;
}

std::string joined(const std::vector<std::string>& texts) {
    std::string out;
    for (const std::string& text : texts) out += (out.empty() ? "" : "; ") + text;
    return out;
}

/// Cameras fill the description with capital letters of their own, the same in every frame; people
/// use small ones.
bool written_by_a_person(const std::string& text) {
    return std::any_of(text.begin(), text.end(), [](char c) {
        return (c >= 'a' && c <= 'z') || static_cast<unsigned char>(c) >= 0x80;
    });
}

std::string description_of(const std::vector<PhotoTags>& tags, std::vector<std::string>& notes) {
    std::vector<std::string> texts = different(tags, &PhotoTags::description);
    if (texts.size() == 1 && !written_by_a_person(texts[0])) return {};
    // More than a few describe the frames, not the picture.
    constexpr size_t kMost = 3;
    if (texts.size() > kMost) {
        notes.push_back("the frames have " + std::to_string(texts.size()) +
                        " different descriptions; the picture gets none of them");
        return {};
    }
    return joined(texts);
}

/// "2031-05-14 10:20:30" of seconds since 1970.
std::string time_text(double seconds) {
    using namespace std::chrono;
    const auto whole = static_cast<int64_t>(std::floor(seconds));
    const sys_seconds time{std::chrono::seconds(whole)};
    const auto days = floor<std::chrono::days>(time);
    const year_month_day date(days);
    const hh_mm_ss clock(time - days);
    std::array<char, 48> text{};
    std::snprintf(text.data(), text.size(), "%04d-%02u-%02u %02d:%02d:%02d",
                  static_cast<int>(date.year()), static_cast<unsigned>(date.month()),
                  static_cast<unsigned>(date.day()), static_cast<int>(clock.hours().count()),
                  static_cast<int>(clock.minutes().count()),
                  static_cast<int>(clock.seconds().count()));
    return text.data();
}

void find_times(const std::vector<PhotoTags>& tags, PictureMetadata& m) {
    std::optional<double> first, last;
    for (const PhotoTags& t : tags) {
        if (!t.time_s || !t.time_taken) continue;
        first = std::min(first.value_or(*t.time_s), *t.time_s);
        last = std::max(last.value_or(*t.time_s), *t.time_s);
    }
    if (!first) return;
    m.first_taken = time_text(*first);
    m.last_taken = time_text(*last);
}

Vec3 on_globe(const GeoPosition& p) {
    const double latitude = p.latitude_deg * kRadPerDeg;
    const double longitude = p.longitude_deg * kRadPerDeg;
    return {std::cos(latitude) * std::cos(longitude), std::cos(latitude) * std::sin(longitude),
            std::sin(latitude)};
}

/// The middle of the frames' positions, unless they lie too far apart for one picture.
std::optional<GeoPosition> middle_position(const std::vector<PhotoTags>& tags,
                                           std::vector<std::string>& notes) {
    Vec3 sum;
    std::vector<double> altitudes;
    for (const PhotoTags& t : tags) {
        if (!t.position) continue;
        sum = sum + on_globe(*t.position);
        if (t.position->altitude_m) altitudes.push_back(*t.position->altitude_m);
    }
    if (!(norm(sum) > 0)) {
        notes.emplace_back("no frame says where it was taken");
        return std::nullopt;
    }
    constexpr double kGlobeKm = 6371;
    constexpr double kFarKm = 1;
    double farthest = 0;
    for (const PhotoTags& t : tags) {
        if (!t.position) continue;
        farthest = std::max(farthest, kGlobeKm * angle_between(sum, on_globe(*t.position)));
    }
    if (farthest > kFarKm) {
        notes.push_back("the frames' positions lie " + std::to_string(std::llround(farthest)) +
                        " km from their middle; the picture gets none");
        return std::nullopt;
    }
    GeoPosition middle;
    middle.latitude_deg = std::atan2(sum.z, std::hypot(sum.x, sum.y)) * kDegPerRad;
    middle.longitude_deg = std::atan2(sum.y, sum.x) * kDegPerRad;
    if (!altitudes.empty()) {
        std::sort(altitudes.begin(), altitudes.end());
        middle.altitude_m = altitudes[altitudes.size() / 2];
    }
    return middle;
}

/// Where the canvas lies on the whole sphere, whose middle is longitude 0. A canvas across the
/// sphere's edge is shown in its middle instead: it cannot be cut in two.
SpherePart sphere_part(const Canvas& canvas) {
    SpherePart part;
    const double s = canvas.pixels_per_degree;
    part.width = canvas.width;
    part.height = canvas.height;
    part.full_width =
        canvas.wraps ? canvas.width : std::max<int64_t>(std::llround(360 * s), canvas.width);
    part.full_height = std::max<int64_t>(std::llround(180 * s), canvas.height);
    const int64_t room = part.full_width - part.width;
    double left_deg = std::fmod(canvas.left_deg + 180, 360);
    if (left_deg < 0) left_deg += 360;
    const int64_t left = std::llround(left_deg * s);
    // The canvas's size is rounded, too: a pixel too far is no reason to move it.
    part.left = left <= room + 1 ? std::min(left, room) : room / 2;
    part.top = std::clamp<int64_t>(std::llround((90 - canvas.top_deg) * s), 0,
                                   part.full_height - part.height);
    return part;
}

}  // namespace

std::string PictureMetadata::creator_line() const { return joined(creators); }

std::string PictureMetadata::taken_range() const {
    if (first_taken.empty() || first_taken == last_taken) return first_taken;
    // The day is not said twice.
    constexpr size_t kDate = 10;
    const bool same_day = first_taken.compare(0, kDate, last_taken, 0, kDate) == 0;
    return first_taken + " to " + (same_day ? last_taken.substr(kDate + 1) : last_taken);
}

std::string PictureMetadata::full_description() const {
    const std::string range = taken_range();
    if (range.empty()) return description;
    std::string when =
        (first_taken == last_taken ? "Photographed " : "Photographed from ") + range + ".";
    if (description.empty()) return when;
    const char end = description.back();
    return description + (end == '.' || end == '!' || end == '?' ? " " : ". ") + when;
}

std::string PictureMetadata::tiff_date_time() const {
    std::string text = first_taken;
    std::replace(text.begin(), text.end(), '-', ':');
    return text;
}

std::string PictureMetadata::place() const {
    if (!position) return {};
    std::array<char, 80> text{};
    // Five digits are a metre on the ground.
    std::snprintf(text.data(), text.size(), "%.5f\xC2\xB0 %c, %.5f\xC2\xB0 %c",
                  std::abs(position->latitude_deg), position->latitude_deg < 0 ? 'S' : 'N',
                  std::abs(position->longitude_deg), position->longitude_deg < 0 ? 'W' : 'E');
    std::string out = text.data();
    if (position->altitude_m) {
        out += ", " + std::to_string(std::llround(*position->altitude_m)) + " m";
    }
    return out;
}

PictureMetadata collect_metadata(const Scene& scene, const std::vector<PhotoTags>& tags,
                                 bool location, std::vector<std::string>& notes) {
    PictureMetadata m;
    m.title = clean(scene.title);
    const std::string credit = clean(scene.credit);
    m.creators =
        credit.empty() ? different(tags, &PhotoTags::artist) : std::vector<std::string>{credit};
    m.rights = clean(scene.rights);
    if (m.rights.empty()) m.rights = joined(different(tags, &PhotoTags::copyright));
    m.description = description_of(tags, notes);
    find_times(tags, m);
    if (location) m.position = middle_position(tags, notes);
    return m;
}

std::string picture_xmp(const PictureMetadata& m, const Canvas& canvas) {
    XmpFields f;
    f.title = m.title;
    f.creators = m.creators;
    f.rights = m.rights;
    f.description = m.full_description();
    f.tool = std::string("broadloom ") + version();
    f.taken = m.first_taken;
    std::replace(f.taken.begin(), f.taken.end(), ' ', 'T');
    if (m.position) {
        f.latitude_deg = m.position->latitude_deg;
        f.longitude_deg = m.position->longitude_deg;
        f.altitude_m = m.position->altitude_m;
    }
    if (canvas.surface == Surface::sphere) f.sphere = sphere_part(canvas);
    return xmp_packet(f);
}

}  // namespace broadloom
