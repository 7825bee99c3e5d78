// Bad frames and bad scenes from the command line: exit status 3, one clear line, nothing left
// under a final name.
#include <catch2/catch.hpp>
#include <functional>

#include "support/expect_failure.hpp"
#include "support/frame_files.hpp"
#include "support/small_scene.hpp"

using namespace broadloom::test;
namespace fs = std::filesystem;

namespace {

/// The failure, and that the folder that was absent before is absent again.
void expect_bad_input(const SmallScene& scene, const std::vector<std::string>& words) {
    expect_failure(scene.render(), 3, words);
    CHECK(result_names_in(scene.out()).empty());
    CHECK_FALSE(fs::exists(scene.out()));
}

void write_text(const fs::path& path, const std::string& text) {
    write_bytes(path, Bytes(text.begin(), text.end()));
}

}  // namespace

TEST_CASE("the unspoilt scene renders and is silent on standard output", "[pipeline][bad input]") {
    const SmallScene scene;
    const ProcessResult r = scene.render();
    INFO(r.err);
    CHECK(r.status == 0);
    CHECK(r.out.empty());
    CHECK(result_names_in(scene.out()) == kResultNames);
}

TEST_CASE("a missing frame is named", "[pipeline][bad input]") {
    const SmallScene scene;
    fs::remove(scene.frame(3));
    expect_bad_input(scene, {"frames/3.jpg", "no such file", "correct"});
}

TEST_CASE("several bad frames are all named before the last line", "[pipeline][bad input]") {
    const SmallScene scene;
    fs::remove(scene.frame(1));
    fs::remove(scene.frame(4));
    const ProcessResult r = scene.render();
    expect_failure(r, 3, {"frames/1.jpg"});
    CHECK(r.err.find("frames/4.jpg") != std::string::npos);
    CHECK_FALSE(fs::exists(scene.out()));
}

TEST_CASE("an empty frame is refused", "[pipeline][bad input]") {
    const SmallScene scene;
    write_bytes(scene.frame(2), {});
    expect_bad_input(scene, {"frames/2.jpg", "empty"});
}

TEST_CASE("a folder in place of a frame is refused", "[pipeline][bad input]") {
    const SmallScene scene;
    fs::remove(scene.frame(2));
    fs::create_directory(scene.frame(2));
    expect_bad_input(scene, {"frames/2.jpg", "folder"});
}

TEST_CASE("a JPEG cut short anywhere is refused", "[pipeline][bad input]") {
    const SmallScene scene;
    const Bytes whole = read_bytes(scene.frame(2));
    std::vector<size_t> lengths{1, 2, 3, 4, 20};
    for (size_t i = 1; i < 16; ++i) lengths.push_back(whole.size() * i / 16);
    // The end marker alone may be missing: all pixels are there.
    lengths.push_back(whole.size() - 12);
    for (const size_t length : lengths) {
        INFO("cut to " << length << " of " << whole.size() << " bytes");
        write_bytes(scene.frame(2),
                    Bytes(whole.begin(), whole.begin() + static_cast<std::ptrdiff_t>(length)));
        expect_bad_input(scene, {"frames/2.jpg"});
    }
    // Not for another reason: the whole file is good.
    write_bytes(scene.frame(2), whole);
    CHECK(scene.render().status == 0);
}

TEST_CASE("a PNG or TIFF cut short is refused", "[pipeline][bad input]") {
    SmallScene scene;
    for (const std::string suffix : {".png", ".tif"}) {
        const std::string name = "frames/whole" + suffix;
        save_vips(to_vips(wavy<uint8_t>(300, 200, 3), VIPS_INTERPRETATION_sRGB),
                  (scene.folder() / name).native());
        scene.json["frames"][2]["file"] = name;
        const Bytes whole = read_bytes(scene.frame(2));
        for (const size_t eighths : {1U, 3U, 6U, 7U}) {
            INFO(name << " cut to " << eighths << " eighths");
            const auto length = static_cast<std::ptrdiff_t>(whole.size() * eighths / 8);
            write_bytes(scene.frame(2), Bytes(whole.begin(), whole.begin() + length));
            expect_bad_input(scene, {name});
        }
        write_bytes(scene.frame(2), whole);
        CHECK(scene.render({}, "whole" + suffix).status == 0);
    }
}

TEST_CASE("a frame of the wrong size is refused with both sizes", "[pipeline][bad input]") {
    const SmallScene scene;
    write_bytes(scene.frame(0), write_jpeg(wavy<uint8_t>(320, 180, 3), {}));
    expect_bad_input(scene, {"frames/0.jpg", "320 x 180", "300 x 200"});
}

TEST_CASE("a frame that is no picture is refused", "[pipeline][bad input]") {
    const SmallScene scene;
    for (const std::string text :
         {"just words\n", "{\"format\": \"none\"}", "\xff\xd8\xff not really"}) {
        write_text(scene.frame(5), text);
        expect_bad_input(scene, {"frames/5.jpg"});
    }
}

TEST_CASE("a CMYK frame is refused by that name", "[pipeline][bad input]") {
    const SmallScene scene;
    JpegOptions options;
    options.stored = JCS_CMYK;
    write_bytes(scene.frame(5), write_jpeg(wavy<uint8_t>(300, 200, 4), options));
    expect_bad_input(scene, {"frames/5.jpg", "CMYK"});
}

TEST_CASE("a missing or unreadable scene file is named", "[pipeline][bad input]") {
    const SmallScene scene;
    const auto render = [&](const fs::path& file) {
        return run_process({program(), "render", file.native(), "--out", scene.out().native()});
    };
    expect_failure(render(scene.folder() / "none.json"), 3, {"none.json"});
    expect_failure(render(scene.folder()), 3, {scene.folder().filename().native(), "folder"});
    write_text(scene.folder() / "words.json", "these are words");
    expect_failure(render(scene.folder() / "words.json"), 3, {"words.json"});
    write_text(scene.folder() / "nothing.json", "");
    expect_failure(render(scene.folder() / "nothing.json"), 3, {"nothing.json"});
    write_text(scene.folder() / "half.json", "{\"format\": \"broadloom-scene\", ");
    expect_failure(render(scene.folder() / "half.json"), 3, {"half.json"});
    CHECK_FALSE(fs::exists(scene.out()));
}

TEST_CASE("each spoilt value of a scene is named with its place", "[pipeline][bad input]") {
    using Json = nlohmann::ordered_json;
    struct Case {
        std::string what;
        std::function<void(Json&)> spoil;
        std::vector<std::string> words;
    };
    const std::vector<Case> cases{
        {"unknown key",
         [](Json& j) { j["frames"][1]["yaw_degrees"] = 1; },
         {"frames[1]", "yaw_degrees"}},
        {"unknown key at the top", [](Json& j) { j["colour"] = 1; }, {"colour"}},
        {"newer version", [](Json& j) { j["version"] = 2; }, {"version"}},
        {"another format", [](Json& j) { j["format"] = "something-else"; }, {"format"}},
        {"zero focal length", [](Json& j) { j["cameras"]["main"]["focal_px"] = 0; }, {"focal_px"}},
        {"negative focal length",
         [](Json& j) { j["cameras"]["main"]["focal_px"] = -5; },
         {"focal_px"}},
        {"unknown camera",
         [](Json& j) { j["frames"][2]["camera"] = "other"; },
         {"frames[2]", "camera"}},
        {"no frames", [](Json& j) { j["frames"] = Json::array(); }, {"frame"}},
        {"all frames left out",
         [](Json& j) {
             for (auto& f : j["frames"]) {
                 f["use"] = "left out";
                 f["reason"] = "blurred";
             }
         },
         {"left out"}},
        {"no yaw", [](Json& j) { j["frames"][0].erase("yaw_deg"); }, {"yaw_deg", "frames[0]"}},
        {"text for a number",
         [](Json& j) { j["frames"][0]["yaw_deg"] = "east"; },
         {"frames[0].yaw_deg"}},
        {"canvas upside down",
         [](Json& j) {
             j["canvas"]["top_deg"] = -10;
             j["canvas"]["bottom_deg"] = 10;
         },
         {"canvas"}},
        {"canvas far too large",
         [](Json& j) { j["canvas"]["pixels_per_degree"] = 1e12; },
         {"canvas"}},
        {"canvas of no pixels",
         [](Json& j) { j["canvas"]["pixels_per_degree"] = 1e-9; },
         {"canvas"}},
    };
    for (const Case& c : cases) {
        SmallScene scene;
        c.spoil(scene.json);
        INFO(c.what);
        expect_bad_input(scene, c.words);
    }
}

TEST_CASE("angles that are not finite numbers are refused", "[pipeline][bad input]") {
    const SmallScene scene;
    const std::string good = scene.json.dump(1);
    for (const std::string value : {"1e999", "-1e999", "NaN", "Infinity"}) {
        const auto json = nlohmann::ordered_json(scene.json);
        std::string text = good;
        const std::string key = "\"yaw_deg\": ";
        const size_t at = text.find(key) + key.size();
        text.replace(at, text.find_first_of(",\n}", at) - at, value);
        const fs::path file = scene.folder() / "spoilt.json";
        write_text(file, text);
        INFO(value);
        expect_failure(
            run_process({program(), "render", file.native(), "--out", scene.out().native()}), 3,
            {"spoilt.json"});
        CHECK_FALSE(fs::exists(scene.out()));
    }
}

TEST_CASE("the same file listed twice is a note", "[pipeline][bad input]") {
    SmallScene scene;
    scene.json["frames"][4]["file"] = scene.json["frames"][1]["file"];
    const ProcessResult r = scene.render();
    CHECK(r.status == 0);
    CHECK(r.err.find("frames/1.jpg is listed more than once") != std::string::npos);
    CHECK(r.err.find("broadloom: ") == std::string::npos);
    CHECK(result_names_in(scene.out()) == kResultNames);
}
