#include "gather/sequence.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <numeric>
#include <optional>
#include <utility>

#include "base/text.hpp"
#include "gather/name_order.hpp"

namespace broadloom {
namespace {

/// Seconds. Two files of one exposure carry the same time; raw headers may hold whole seconds only.
constexpr double kSameTime = 2;

/// Before the first cameras that wrote these tags: a clock that was never set.
constexpr double kFirstYear = 631152000;  // 1990-01-01

std::string small_stem(const Photo& photo) {
    const std::filesystem::path path =
        photo.path.empty() ? std::filesystem::path(photo.name) : photo.path;
    std::string stem = path.stem().native();
    for (char& c : stem) {
        if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
    }
    return stem;
}

std::filesystem::path folder_of(const Photo& photo) {
    return (photo.path.empty() ? std::filesystem::path(photo.name) : photo.path)
        .parent_path()
        .lexically_normal();
}

/// What a file is worth as the one that is used.
enum class Form { jpeg, other, deep, raw };

Form form_of(const Photo& photo) {
    if (photo.raw) return Form::raw;
    if (photo.info.jpeg) return Form::jpeg;
    return photo.info.bits > 8 ? Form::deep : Form::other;
}

std::optional<double> clock_of(const Photo& photo) {
    const std::optional<double> t = photo.tags.time_s;
    return t && std::isfinite(*t) && *t >= kFirstYear ? t : std::nullopt;
}

/// Same exposure, given the same stem. Files of different folders need the times' word for it:
/// names repeat from folder to folder.
bool one_exposure(const Photo& a, const Photo& b) {
    if (form_of(a) == form_of(b)) return false;
    const auto ta = clock_of(a), tb = clock_of(b);
    if (ta && tb) {
        const bool cameras_known = !a.tags.model.empty() && !b.tags.model.empty();
        return std::abs(*ta - *tb) <= kSameTime &&
               (folder_of(a) == folder_of(b) || !cameras_known || a.tags.model == b.tags.model);
    }
    return folder_of(a) == folder_of(b);
}

bool times_differ(const Photo& a, const Photo& b) {
    const auto ta = clock_of(a), tb = clock_of(b);
    return form_of(a) != form_of(b) && ta && tb && std::abs(*ta - *tb) > kSameTime;
}

template <typename T>
void fill(std::optional<T>& value, const std::optional<T>& other) {
    if (!value) value = other;
}

/// A converted file often lost its tags; those that speak of the exposure are the twin's too. What
/// describes the stored pixels (size, orientation, density) is not.
void fill_tags(PhotoTags& tags, const PhotoTags& twin) {
    for (const auto member :
         {&PhotoTags::make, &PhotoTags::model, &PhotoTags::lens, &PhotoTags::serial}) {
        if ((tags.*member).empty()) tags.*member = twin.*member;
    }
    for (const auto member :
         {&PhotoTags::exposure_s, &PhotoTags::f_number, &PhotoTags::iso, &PhotoTags::focal_mm,
          &PhotoTags::focal_35mm, &PhotoTags::exposure_bias_ev, &PhotoTags::focus_distance_m}) {
        fill(tags.*member, twin.*member);
    }
    for (const auto member :
         {&PhotoTags::manual_focus, &PhotoTags::auto_white_balance, &PhotoTags::auto_exposure,
          &PhotoTags::auto_bracket, &PhotoTags::flash_fired}) {
        fill(tags.*member, twin.*member);
    }
    if (!tags.time_s) {
        tags.time_s = twin.time_s;
        tags.time_text = twin.time_text;
    }
}

std::string frames_text(size_t count) {
    return std::to_string(count) + (count == 1 ? " frame" : " frames");
}

void reorder(std::vector<Photo>& photos, const std::vector<size_t>& order) {
    std::vector<Photo> sorted;
    sorted.reserve(photos.size());
    for (const size_t i : order) sorted.push_back(std::move(photos[i]));
    photos = std::move(sorted);
}

/// Places frames without a time behind the frame before them by name, or before the first.
void insert_by_name(std::vector<size_t>& order, const std::vector<size_t>& untimed,
                    const NameRanks& names) {
    for (const size_t i : untimed) {
        // Neighbours of its own series, where it has any.
        std::optional<size_t> before, after;
        for (const bool own : {true, false}) {
            for (size_t k = 0; k < order.size(); ++k) {
                const size_t j = order[k];
                if (own && names.series[j] != names.series[i]) continue;
                if (names.rank[j] < names.rank[i]) {
                    if (!before || names.rank[j] > names.rank[order[*before]]) before = k;
                } else if (!after || names.rank[j] < names.rank[order[*after]]) {
                    after = k;
                }
            }
            if (before || after) break;
        }
        const size_t at = before ? *before + 1 : after.value_or(order.size());
        order.insert(order.begin() + static_cast<std::ptrdiff_t>(at), i);
    }
}

/// Where the order of times goes against that of the names of one series.
void tell_disagreement(const std::vector<Photo>& photos, const std::vector<size_t>& timed,
                       const NameRanks& names, std::vector<std::string>& notes) {
    std::map<size_t, size_t> highest;  // series to the frame that comes last by name so far
    std::optional<std::pair<size_t, size_t>> first;
    size_t count = 0;
    for (const size_t i : timed) {
        const auto [found, fresh] = highest.try_emplace(names.series[i], i);
        if (fresh) continue;
        if (names.rank[i] > names.rank[found->second]) {
            found->second = i;
        } else {
            if (!first) first = {i, found->second};
            ++count;
        }
    }
    if (!first) return;
    const auto& [frame, other] = *first;
    notes.push_back("capture times and names disagree for " + frames_text(count) + ", first at " +
                    escaped(photos[frame].name) + ": taken after " + escaped(photos[other].name) +
                    " by the camera's clock, before it by name; the order is by time");
}

}  // namespace

void merge_twins(std::vector<Photo>& photos, Prefer prefer, std::vector<std::string>& notes) {
    const auto worth = [&](const Photo& p) {
        const int form = static_cast<int>(form_of(p));
        return prefer == Prefer::jpeg ? -form : form;
    };
    std::map<std::string, std::vector<size_t>> stems;
    for (size_t i = 0; i < photos.size(); ++i) stems[small_stem(photos[i])].push_back(i);
    std::vector<bool> gone(photos.size(), false);
    size_t with_raw = 0, without_raw = 0;
    std::vector<std::pair<size_t, size_t>> apart;  // one name in one folder, other times
    for (const auto& [stem, members] : stems) {
        for (size_t a = 0; a < members.size(); ++a) {
            if (gone[members[a]]) continue;
            // One file of each form, the first that fits: its own folder's before another's.
            std::vector<size_t> together{members[a]};
            for (const bool same_folder : {true, false}) {
                for (size_t b = a + 1; b < members.size(); ++b) {
                    const size_t i = members[b];
                    if (gone[i] ||
                        (folder_of(photos[members[a]]) == folder_of(photos[i])) != same_folder) {
                        continue;
                    }
                    const auto fits = [&](size_t j) { return one_exposure(photos[i], photos[j]); };
                    if (std::find(together.begin(), together.end(), i) == together.end() &&
                        std::all_of(together.begin(), together.end(), fits)) {
                        together.push_back(i);
                    } else if (same_folder && times_differ(photos[i], photos[members[a]])) {
                        apart.emplace_back(members[a], i);
                    }
                }
            }
            if (together.size() == 1) continue;
            const size_t used = *std::max_element(
                together.begin(), together.end(),
                [&](size_t x, size_t y) { return worth(photos[x]) < worth(photos[y]); });
            const bool any_raw = std::any_of(together.begin(), together.end(),
                                             [&](size_t i) { return photos[i].raw; });
            ++(any_raw ? with_raw : without_raw);
            for (const size_t i : together) {
                if (i == used) continue;
                gone[i] = true;
                if (!photos[used].twin) photos[used].twin = photos[i].path;
                fill_tags(photos[used].tags, photos[i].tags);
            }
        }
    }
    if (with_raw > 0) {
        notes.push_back(frames_text(with_raw) + " of raw and another file of the same exposure: " +
                        (prefer == Prefer::raw ? "the raw is used (--prefer jpeg uses the other)"
                                               : "the raw is not used (--prefer raw uses it)"));
    }
    if (without_raw > 0) {
        notes.push_back(frames_text(without_raw) + " of two files of the same exposure: " +
                        (prefer == Prefer::raw ? "the JPEG is not used (--prefer jpeg uses it)"
                                               : "the JPEG is used (--prefer raw uses the other)"));
    }
    if (!apart.empty()) {
        const auto& [a, b] = apart.front();
        notes.push_back(escaped(photos[a].name) + " and " + escaped(photos[b].name) +
                        " have one name but other capture times, so they are two frames" +
                        (apart.size() > 1
                             ? " (and " + std::to_string(apart.size() - 1) + " more such pairs)"
                             : std::string()));
    }
    std::vector<Photo> kept;
    for (size_t i = 0; i < photos.size(); ++i) {
        if (!gone[i]) kept.push_back(std::move(photos[i]));
    }
    photos = std::move(kept);
}

void order_by_capture(std::vector<Photo>& photos, std::vector<std::string>& notes) {
    if (photos.size() < 2) return;
    const NameRanks names = name_ranks(photos);
    std::vector<size_t> by_name(photos.size());
    for (size_t i = 0; i < photos.size(); ++i) by_name[names.rank[i]] = i;

    std::vector<size_t> timed, untimed, unset;
    bool all_same = true;
    for (const size_t i : by_name) {
        if (!clock_of(photos[i])) {
            untimed.push_back(i);
            if (photos[i].tags.time_s) unset.push_back(i);
            continue;
        }
        timed.push_back(i);
        all_same = all_same && *clock_of(photos[i]) == *clock_of(photos[timed.front()]);
    }
    if (!unset.empty()) {
        notes.push_back("the camera's clock was not set (" +
                        escaped(photos[unset.front()].tags.time_text.empty()
                                    ? "before 1990"
                                    : photos[unset.front()].tags.time_text) +
                        ") in " + frames_text(unset.size()) + ": " + name_list(photos, unset) +
                        "; these times are not used");
    }
    if (all_same) {
        const bool none = timed.empty();
        notes.push_back(none ? "no frame tells when it was taken: ordered by name"
                             : "every capture time is the same (" +
                                   escaped(photos[timed.front()].tags.time_text) +
                                   "): ordered by name");
        if (!none && !untimed.empty()) {
            notes.push_back(frames_text(untimed.size()) +
                            " without a capture time: " + name_list(photos, untimed));
        }
        for (const std::string& wrap : names.wraps) {
            notes.push_back("the numbering goes over its end and is taken as one run: " + wrap);
        }
        reorder(photos, by_name);
        return;
    }
    std::stable_sort(timed.begin(), timed.end(), [&](size_t a, size_t b) {
        return *clock_of(photos[a]) < *clock_of(photos[b]);
    });
    tell_disagreement(photos, timed, names, notes);
    if (!untimed.empty()) {
        notes.push_back(frames_text(untimed.size()) +
                        " without a capture time, placed by name: " + name_list(photos, untimed));
        insert_by_name(timed, untimed, names);
    }
    reorder(photos, timed);
}

}  // namespace broadloom
