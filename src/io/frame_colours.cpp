#include "io/frame_colours.hpp"

#include <algorithm>
#include <map>

#include "base/text.hpp"

namespace broadloom {

std::shared_ptr<const ColourStage> FrameColours::add(FrameInfo& info) {
    const bool grey = info.colour == FrameColour::grey;
    const auto same = [&](const Entry& e) {
        if (e.grey != grey || (e.icc == nullptr) != (info.icc == nullptr)) return false;
        return e.icc == info.icc || *e.icc == *info.icc;
    };
    auto found = std::find_if(entries_.begin(), entries_.end(), same);
    if (found == entries_.end()) {
        Entry entry;
        entry.icc = info.icc;
        entry.grey = grey;
        if (info.icc != nullptr) entry.profile = read_colour_profile(*info.icc, grey);
        using Kind = FrameColourProfile::Kind;
        if (entry.profile.kind != Kind::srgb || working_ != ColourSpace::srgb) {
            entry.stage =
                std::make_shared<const ColourStage>(conversion_to(entry.profile, working_));
        }
        entry.profile.decode = {};
        entry.profile.table = {};
        entries_.push_back(std::move(entry));
        found = entries_.end() - 1;
    }
    ++found->frames;
    info.icc = found->icc;
    return found->stage;
}

std::vector<std::string> FrameColours::notes() const {
    struct Told {
        int64_t frames = 0;
        std::string then_one, then_many;
    };
    std::map<std::string, Told> told;  // by what is told of the profile
    for (const Entry& e : entries_) {
        std::string text = "the colour profile \"" + escaped(e.profile.name) + "\"";
        std::string how;
        using Kind = FrameColourProfile::Kind;
        if (!e.profile.problem.empty()) {
            text += ", which cannot be used (" + e.profile.problem + ")";
            how = "read as sRGB";
        } else if (e.profile.kind == Kind::matrix) {
            how = "converted";
        } else if (e.profile.kind == Kind::table) {
            how = "converted by its table of colours, after exposure is corrected approximately";
        } else {
            continue;
        }
        Told& t = told[text];
        t.frames += e.frames;
        t.then_one = "; it is " + how;
        t.then_many = "; they are " + how;
    }
    std::vector<std::string> notes;
    notes.reserve(told.size());
    for (const auto& [text, t] : told) {
        notes.push_back(t.frames == 1
                            ? "1 frame carries " + text + t.then_one
                            : std::to_string(t.frames) + " frames carry " + text + t.then_many);
    }
    return notes;
}

}  // namespace broadloom
