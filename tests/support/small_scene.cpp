#include "support/small_scene.hpp"

#include <cmath>
#include <cstdlib>

#include "support/frame_files.hpp"

namespace broadloom::test {

namespace fs = std::filesystem;

std::string program() {
    const char* given = std::getenv("BROADLOOM_PROGRAM");
    return given != nullptr ? given : BROADLOOM_PROGRAM;
}

SmallScene::SmallScene(int columns, int rows, bool turn) {
    constexpr int kWidth = 300;
    constexpr int kHeight = 200;
    const double focal = turn ? 130 : 400;
    const auto view_deg = [&](int pixels) {
        return 2 * std::atan(pixels / 2.0 / focal) * 180 / M_PI;
    };
    const double step_x = turn ? 360.0 / columns : view_deg(kWidth) * 2 / 3;
    const double step_y = view_deg(kHeight) * 2 / 3;
    json["format"] = "broadloom-scene";
    json["version"] = 1;
    json["cameras"]["main"] = {{"width", kWidth}, {"height", kHeight}, {"focal_px", focal}};
    json["canvas"]["surface"] = "sphere";
    json["frames"] = nlohmann::ordered_json::array();
    fs::create_directories(folder_ / "frames");
    for (int r = 0; r < rows; ++r) {
        for (int c = 0; c < columns; ++c) {
            const auto number = static_cast<int>(json["frames"].size());
            const std::string name = "frames/" + std::to_string(number) + ".jpg";
            auto picture = wavy<uint8_t>(kWidth, kHeight, 3, static_cast<uint32_t>(number + 1));
            // Pale, so that halved chroma says little even where a wave is a few pixels long.
            for (size_t i = 0; i < picture.samples.size(); i += 3) {
                const int mean =
                    (picture.samples[i] + picture.samples[i + 1] + picture.samples[i + 2]) / 3;
                for (size_t k = i; k < i + 3; ++k) {
                    picture.samples[k] =
                        static_cast<uint8_t>(mean + (picture.samples[k] - mean) / 8);
                }
            }
            write_bytes(folder_ / name,
                        write_jpeg(picture, JpegOptions{.factors = {{2, 2}, {1, 1}, {1, 1}}}));
            json["frames"].push_back({{"file", name},
                                      {"camera", "main"},
                                      {"yaw_deg", (c - (columns - 1) / 2.0) * step_x},
                                      {"pitch_deg", ((rows - 1) / 2.0 - r) * step_y}});
        }
    }
}

fs::path SmallScene::write() const {
    const fs::path path = folder_ / "scene.json";
    const std::string text = json.dump(1);
    write_bytes(path, Bytes(text.begin(), text.end()));
    return path;
}

ProcessResult SmallScene::render(const std::vector<std::string>& more, const std::string& out_name,
                                 const ProcessOptions& options) const {
    std::vector<std::string> command{program(), "render", write().native(), "--out",
                                     out(out_name).native()};
    command.insert(command.end(), more.begin(), more.end());
    return run_process(command, options);
}

std::map<std::string, std::string> folder_content(const fs::path& folder) {
    std::map<std::string, std::string> found;
    for (const auto& entry : fs::recursive_directory_iterator(folder)) {
        const std::string name = entry.path().lexically_relative(folder).native();
        if (entry.is_directory()) {
            found[name + "/"] = "";
        } else {
            const Bytes bytes = read_bytes(entry.path());
            found[name] = std::string(bytes.begin(), bytes.end());
        }
    }
    return found;
}

std::vector<std::string> result_names_in(const fs::path& folder) {
    std::vector<std::string> found;
    if (!fs::is_directory(folder)) return found;
    for (const std::string& name : kResultNames) {
        if (fs::exists(fs::symlink_status(folder / name))) found.push_back(name);
    }
    for (const auto& entry : fs::directory_iterator(folder)) {
        const std::string name = entry.path().filename().native();
        if (name.find(".part") != std::string::npos || name.find(".tmp") != std::string::npos) {
            found.push_back(name);
        }
    }
    return found;
}

}  // namespace broadloom::test
