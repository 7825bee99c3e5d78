/// Which files are photographs: told from their first bytes, the name only helps where these say
/// nothing.
#include <algorithm>
#include <array>
#include <cerrno>
#include <fstream>
#include <set>
#include <string_view>
#include <utility>

#include "base/file_io.hpp"
#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "gather/name_order.hpp"
#include "gather/sequence.hpp"
#include "io/raw_file.hpp"

namespace broadloom {
namespace {

using std::filesystem::path;

std::string small_extension(const path& p) {
    std::string text = p.extension().native();
    for (char& c : text) {
        if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
    }
    return text;
}

/// Names that a picture has: such a file is read even if its content is none, so that an empty or
/// overwritten frame is reported and not silently missed.
bool has_picture_name(const path& p) {
    constexpr std::array<std::string_view, 16> kNames{
        ".jpg", ".jpeg", ".jpe", ".png", ".tif", ".tiff", ".dng", ".nef",
        ".cr2", ".cr3",  ".arw", ".raf", ".orf", ".rw2",  ".pef", ".srw"};
    return std::find(kNames.begin(), kNames.end(), small_extension(p)) != kNames.end();
}

/// Cameras keep thumbnails of films and raws as small JPEGs under this name.
bool has_thumbnail_name(const path& p) { return small_extension(p) == ".thm"; }

bool begins_like_picture(const path& p) {
    using namespace std::string_view_literals;
    std::array<char, 8> bytes{};
    std::ifstream in(p, std::ios::binary);
    in.read(bytes.data(), bytes.size());
    const std::string_view head(bytes.data(), static_cast<size_t>(in.gcount()));
    for (const std::string_view mark :
         {"\xFF\xD8\xFF"sv, "\x89PNG\r\n\x1A\n"sv, "II*\0"sv, "MM\0*"sv, "II+\0"sv, "MM\0+"sv}) {
        if (head.substr(0, mark.size()) == mark) return true;
    }
    return false;
}

bool is_picture(const path& p) {
    if (has_thumbnail_name(p)) return false;
    std::error_code ignored;
    if (has_picture_name(p) || begins_like_picture(p)) return true;
    return std::filesystem::file_size(p, ignored) > 0 && !ignored &&
           is_raw_file(p, escaped(p.filename().native()));
}

[[noreturn]] void cannot_read(const path& p, const std::error_code& error) {
    throw Error(ErrorCode::machine,
                escaped(p.native()) + ": cannot be read: " + advice_for_errno(error.value()));
}

struct Folder {
    std::vector<path> files, folders;  ///< in natural order, hidden ones left out
    size_t hidden = 0;
};

Folder read_folder(const path& folder) {
    Folder result;
    std::error_code error;
    std::filesystem::directory_iterator it(folder, error);
    for (; !error && it != std::filesystem::directory_iterator(); it.increment(error)) {
        std::error_code ignored;
        const path& p = it->path();
        const bool hidden = p.filename().native().starts_with('.');
        if (it->is_directory(ignored)) {
            if (!hidden) result.folders.push_back(p);
        } else if (hidden) {
            ++result.hidden;
        } else if (it->is_regular_file(ignored)) {
            result.files.push_back(p);
        }
    }
    if (error) cannot_read(folder, error);
    const auto less = [](const path& a, const path& b) {
        return natural_less(a.native(), b.native());
    };
    std::sort(result.files.begin(), result.files.end(), less);
    std::sort(result.folders.begin(), result.folders.end(), less);
    return result;
}

std::string count_files(size_t count, const std::string& kind) {
    return std::to_string(count) + kind + (count == 1 ? " file" : " files");
}

/// The pictures of one folder, and a note on what else is there.
std::vector<path> pictures_of(const path& place, const Folder& folder,
                              std::vector<std::string>& notes) {
    std::vector<path> pictures, others;
    for (const path& p : folder.files) (is_picture(p) ? pictures : others).push_back(p);
    std::string note;
    if (!others.empty()) {
        constexpr size_t kShown = 3;
        note = count_files(others.size(), "") + " passed over as no pictures (";
        for (size_t i = 0; i < std::min(kShown, others.size()); ++i) {
            note += (i == 0 ? "" : ", ") + escaped(others[i].filename().native());
        }
        note += others.size() > kShown ? " ...)" : ")";
    }
    if (folder.hidden > 0) {
        note += (note.empty() ? "" : ", ") + count_files(folder.hidden, " hidden") + " passed over";
    }
    if (!note.empty()) notes.push_back(escaped(place.native()) + ": " + note);
    return pictures;
}

/// Where a folder has no pictures, those of the card's folders in it.
std::vector<path> pictures_of_card(const path& place, const Folder& folder,
                                   std::vector<std::string>& notes) {
    std::vector<path> pictures;
    std::string names;
    for (const path& p : folder.folders) {
        if (!is_card_folder(p.filename().native())) continue;
        const std::vector<path> found = pictures_of(p, read_folder(p), notes);
        if (found.empty()) continue;
        names += (names.empty() ? "" : ", ") + escaped(p.filename().native());
        pictures.insert(pictures.end(), found.begin(), found.end());
    }
    if (!pictures.empty()) {
        notes.push_back(escaped(place.native()) + ": a card's folders are read: " + names);
    }
    return pictures;
}

}  // namespace

std::vector<path> list_pictures(const std::vector<path>& inputs, std::vector<std::string>& notes) {
    std::vector<path> result;
    std::set<std::string> known;
    std::vector<std::string> problems;
    const auto add = [&](const path& p) {
        std::error_code error;
        const path real = std::filesystem::canonical(p, error);
        if (known.insert((error ? p : real).native()).second) result.push_back(p);
    };
    for (const path& input : inputs) {
        std::error_code error;
        const auto status = std::filesystem::status(input, error);
        const std::string shown = escaped(input.native());
        if (status.type() == std::filesystem::file_type::not_found) {
            problems.push_back(shown + ": there is no such file or folder; check the name");
        } else if (error) {
            cannot_read(input, error);
        } else if (std::filesystem::is_directory(status)) {
            const Folder folder = read_folder(input);
            std::vector<path> pictures = pictures_of(input, folder, notes);
            if (pictures.empty()) pictures = pictures_of_card(input, folder, notes);
            if (pictures.empty()) {
                problems.push_back(
                    shown +
                    ": no pictures in this folder (JPEG, TIFF, PNG or camera raw); name the folder "
                    "that holds them, folders below it are not searched");
            }
            for (const path& p : pictures) add(p);
        } else if (!std::filesystem::is_regular_file(status)) {
            problems.push_back(shown + ": neither a file nor a folder; leave it out");
        } else if (!is_picture(input)) {
            problems.push_back(shown +
                               ": is no picture (JPEG, TIFF, PNG or camera raw); leave it out");
        } else {
            add(input);
        }
    }
    if (!problems.empty()) {
        std::string details;
        for (const std::string& p : problems) details += p + "\n";
        const size_t more = problems.size() - 1;
        throw Error(
            ErrorCode::input,
            more == 0 ? problems.front()
                      : problems.front() + " (and " + std::to_string(more) + " more, listed above)",
            more == 0 ? std::string() : details);
    }
    if (result.empty()) {
        throw Error(ErrorCode::input, "no folder or file was given; name a folder of photographs");
    }
    return result;
}

}  // namespace broadloom
