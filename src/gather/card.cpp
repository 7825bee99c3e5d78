#include "gather/card.hpp"

#include <algorithm>
#include <array>
#include <cstdio>
#include <map>
#include <optional>
#include <set>
#include <utility>

#include "base/errors.hpp"
#include "base/file_io.hpp"
#include "base/hash.hpp"
#include "base/parallel.hpp"
#include "base/text.hpp"
#include "base/work_meter.hpp"
#include "broadloom/error.hpp"
#include "gather/lock_check.hpp"
#include "gather/sequence.hpp"

namespace broadloom {
namespace {

Photo read_photo(const std::filesystem::path& path, const std::string& name) {
    Photo photo;
    photo.path = path;
    photo.name = name;
    const std::string printable = escaped(name);
    if (is_raw_file(path, printable)) {
        photo.raw = true;
        photo.raw_info = probe_raw(path, printable);
        photo.tags = photo.raw_info.tags;
        // As developed: upright already.
        photo.info.stored_width = photo.raw_info.width;
        photo.info.stored_height = photo.raw_info.height;
        photo.info.bits = 16;
        std::error_code ignored;
        photo.info.file_bytes = static_cast<int64_t>(std::filesystem::file_size(path, ignored));
        photo.tags.orientation.reset();
        return photo;
    }
    photo.info = probe_frame(path, printable);
    photo.info.icc.reset();  // a copy for each of thousands of photographs; its name is enough
    photo.tags = read_photo_tags(path, printable);
    photo.frame_path = path;
    photo.orientation = photo.info.orientation;
    return photo;
}

/// Names as short as they can be told apart: the file's own, or with its folder's before it.
std::vector<std::string> names_of(const std::vector<std::filesystem::path>& paths) {
    std::set<std::string> folders;
    for (const auto& p : paths) folders.insert(p.parent_path().lexically_normal().native());
    std::vector<std::string> names;
    for (const auto& p : paths) {
        const std::string folder = p.parent_path().filename().native();
        names.push_back(folders.size() > 1 && !folder.empty() ? folder + "/" + p.filename().native()
                                                              : p.filename().native());
    }
    return names;
}

}  // namespace

std::vector<Photo> read_card(const GatherOptions& options, int threads, const WorkHooks& hooks,
                             std::vector<std::string>& notes, std::vector<Finding>& findings) {
    const std::vector<std::filesystem::path> paths = list_pictures(options.inputs, notes);
    const std::vector<std::string> names = names_of(paths);
    std::vector<std::optional<Photo>> read(paths.size());
    std::vector<std::optional<Error>> failed(paths.size());
    WorkMeter meter("reading camera data", paths.size(), hooks);
    for_each_index(paths.size(), threads, [&](size_t i, int) {
        try {
            read[i] = read_photo(paths[i], names[i]);
        } catch (const Error& e) {
            failed[i] = e;
        }
        meter.advance();
    });
    std::vector<Error> errors;
    std::vector<Photo> photos;
    for (size_t i = 0; i < paths.size(); ++i) {
        if (failed[i]) errors.push_back(*failed[i]);
        if (read[i]) photos.push_back(std::move(*read[i]));
    }
    throw_together(errors, "files");
    merge_twins(photos, options.prefer, notes);
    order_by_capture(photos, notes);
    if (const std::string problem = bracketing_problem(photos); !problem.empty()) {
        throw Error(ErrorCode::input, problem);
    }
    findings = check_lock(photos);
    for (Finding& f : settle_orientation(photos, options.orientation)) {
        findings.push_back(std::move(f));
    }
    std::map<std::string, int64_t> profiles;
    for (const Photo& p : photos) {
        if (!p.info.profile.empty()) ++profiles[p.info.profile];
    }
    for (const auto& [profile, count] : profiles) {
        notes.push_back(std::to_string(count) + " of " + std::to_string(photos.size()) +
                        " frames are in the colours of \"" + escaped(profile) + "\"");
    }
    return photos;
}

void develop_raws(std::vector<Photo>& photos, const std::filesystem::path& scene, int threads,
                  int64_t memory_bytes, const WorkHooks& hooks, std::vector<std::string>& notes) {
    std::vector<size_t> raws;
    for (size_t i = 0; i < photos.size(); ++i) {
        if (photos[i].raw) raws.push_back(i);
    }
    if (raws.empty()) return;
    // One white balance for the whole set: frames developed each to its own would differ in colour.
    const std::array<double, 4> white = photos[raws.front()].raw_info.white;
    const std::filesystem::path folder =
        scene.parent_path() / (scene.stem().native() + "_developed");
    std::vector<std::filesystem::path> results;
    int64_t bytes = 0;
    int64_t memory = 1;
    size_t missing = 0;
    for (const size_t i : raws) {
        const Photo& p = photos[i];
        std::error_code ignored;
        const auto time = std::filesystem::last_write_time(p.path, ignored);
        std::string rule = p.path.native() + " " + std::to_string(p.info.file_bytes) + " " +
                           std::to_string(time.time_since_epoch().count());
        for (const double w : white) rule += " " + std::to_string(w);
        char mark[24];
        std::snprintf(mark, sizeof mark, "%08llx",
                      static_cast<unsigned long long>(hash_bytes(rule) & 0xffffffffU));
        results.push_back(folder / (p.path.stem().native() + "_" + mark + ".tif"));
        memory = std::max(memory, develop_memory_bytes(p.raw_info));
        if (!std::filesystem::exists(results.back(), ignored)) {
            bytes += developed_bytes(p.raw_info);
            ++missing;
        }
    }
    if (missing > 0) {
        const int64_t free = free_disk_bytes(folder);
        const std::string need = std::to_string(missing) +
                                 " raw files are developed to 16 bits in " +
                                 escaped(folder.native()) + ", at most " + format_bytes(bytes) +
                                 " (" + format_bytes(free) + " free)";
        if (bytes > free) {
            throw Error(ErrorCode::machine,
                        need + ": free some space or write the scene elsewhere");
        }
        notes.push_back(need);
        if (hooks.note) hooks.note(need);
        std::error_code error;
        std::filesystem::create_directories(folder, error);
        if (error) {
            throw Error(ErrorCode::machine, escaped(folder.native()) + ": cannot be made: " +
                                                advice_for_errno(error.value()));
        }
    }
    const auto workers = static_cast<int>(
        std::clamp<int64_t>(memory_bytes / memory, 1, static_cast<int64_t>(threads)));
    WorkMeter meter("developing raw files", raws.size(), hooks);
    for_each_index(raws.size(), workers, [&](size_t k, int) {
        Photo& p = photos[raws[k]];
        std::error_code ignored;
        if (!std::filesystem::exists(results[k], ignored)) {
            develop_raw(p.path, escaped(p.name), white, results[k]);
        }
        p.frame_path = results[k];
        p.info = probe_frame(p.frame_path, escaped(results[k].filename().native()));
        meter.advance();
    });
}

}  // namespace broadloom
