#include <algorithm>
#include <array>
#include <cmath>
#include <filesystem>
#include <pugixml.hpp>
#include <string>
#include <vector>

#include "gather/field_of_view.hpp"

namespace broadloom {
namespace {

/// Lower case, single spaces, nothing at the ends.
std::string plain(const std::string& text) {
    std::string out;
    for (const char c : text) {
        if (c == ' ' || c == '\t' || c == '\n' || c == '\r') {
            if (!out.empty() && out.back() != ' ') out += ' ';
        } else {
            out += c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
        }
    }
    while (!out.empty() && out.back() == ' ') out.pop_back();
    return out;
}

bool any_child_is(const pugi::xml_node& camera, const char* name, const std::string& wanted) {
    for (const pugi::xml_node& child : camera.children(name)) {
        if (plain(child.child_value()) == wanted) return true;
    }
    return false;
}

std::vector<std::filesystem::path> files_in(const std::filesystem::path& folder) {
    std::vector<std::filesystem::path> files;
    std::error_code error;
    for (const auto& entry : std::filesystem::directory_iterator(folder, error)) {
        if (entry.path().extension() == ".xml") files.push_back(entry.path());
    }
    std::sort(files.begin(), files.end());
    return files;
}

}  // namespace

std::optional<double> crop_factor_of(const std::string& make, const std::string& model,
                                     const std::filesystem::path& folder) {
    const std::string maker = plain(make);
    const std::string name = plain(model);
    if (name.empty()) return std::nullopt;
    for (const std::filesystem::path& file : files_in(folder)) {
        pugi::xml_document document;
        if (!document.load_file(file.c_str())) continue;
        for (const pugi::xml_node& camera : document.child("lensdatabase").children("camera")) {
            if (!any_child_is(camera, "maker", maker) || !any_child_is(camera, "model", name)) {
                continue;
            }
            const double crop = camera.child("cropfactor").text().as_double(0);
            if (crop > 0.1 && crop < 100) return crop;
        }
    }
    return std::nullopt;
}

std::optional<double> crop_factor_of(const std::string& make, const std::string& model) {
    for (const char* folder : {"/usr/share/lensfun/version_1", "/usr/local/share/lensfun/version_1",
                               "/usr/local/share/lensfun/version_2"}) {
        if (const auto crop = crop_factor_of(make, model, folder)) return crop;
    }
    return std::nullopt;
}

}  // namespace broadloom
