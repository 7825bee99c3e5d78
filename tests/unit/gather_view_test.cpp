/// Field of view where tags are lost, cameras mixed, or only the sensor's table can say.
/// Outside values: "35-mm equivalent" compares diagonals, 43.267 mm for 36 x 24 (CIPA DCG-001);
/// a crop factor of the lens database is the same ratio of diagonals (from memory).
#include <catch2/catch.hpp>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <numbers>
#include <string>
#include <vector>

#include "broadloom/error.hpp"
#include "gather/field_of_view.hpp"
#include "support/scratch_folder.hpp"

namespace broadloom {
namespace {

using Catch::WithinAbs;
using Catch::WithinRel;

constexpr double kDiagonal_mm = 43.267;  // as CIPA rounds it: good for 1e-5
constexpr const char* kInstalled = "/usr/share/lensfun/version_1";

Photo frame(const std::string& name, int64_t width = 6000, int64_t height = 4000) {
    Photo p;
    p.name = name;
    p.info.stored_width = width;
    p.info.stored_height = height;
    p.tags.make = "Harrow";
    p.tags.model = "H-24";
    return p;
}

bool has(const std::string& text, const std::string& part) {
    return text.find(part) != std::string::npos;
}

std::string refusal(const std::vector<Photo>& photos, const GatherOptions& options = {}) {
    try {
        group_cameras(photos, options);
    } catch (const Error& e) {
        CHECK(e.code() == ErrorCode::input);
        return e.what();
    }
    return "accepted";
}

TEST_CASE("--focal-35mm gives the tabled angle whatever the frame's size", "[gather_view]") {
    // 2 atan(36 / 2f): 50 mm 39.597753, 200 mm 10.285529 degrees (computed).
    GatherOptions options;
    for (const int64_t scale : {1, 2, 5}) {
        options.focal_35mm = 50;
        const auto normal = field_of_view(frame("a", 1200 * scale, 800 * scale), options);
        options.focal_35mm = 200;
        const auto tele = field_of_view(frame("a", 1200 * scale, 800 * scale), options);
        REQUIRE((normal && tele));
        const auto degrees = [&](double focal_px) {
            return 2 * std::atan(600.0 * static_cast<double>(scale) / focal_px) * 180 /
                   std::numbers::pi;
        };
        CHECK_THAT(degrees(normal->focal_px), WithinAbs(39.597753, 1e-6));
        CHECK_THAT(degrees(tele->focal_px), WithinAbs(10.285529, 1e-6));
    }
}

TEST_CASE("a 4:3 frame differs by 4 % between widths and diagonals, a 3:2 frame does not",
          "[gather_view]") {
    GatherOptions options;
    options.focal_35mm = 85;
    const auto ratio = [&](int64_t width, int64_t height) {
        return field_of_view(frame("a", width, height), options)->focal_px /
               (85.0 / 36 * static_cast<double>(width));
    };
    CHECK_THAT(ratio(4000, 3000), WithinAbs(1.04, 1e-3));
    CHECK_THAT(ratio(6000, 4000), WithinAbs(1.0, 1e-6));
    CHECK(ratio(1920, 1080) < 0.96);  // and the other way for 16:9
}

const char* const kTable = R"(<lensdatabase version="1">
  <camera><maker>Harrow</maker><model>H-24</model><cropfactor>1.534</cropfactor></camera>
  <camera><maker>Harrow</maker><model>H-43</model><cropfactor>2</cropfactor></camera>
  <camera><maker>Harrow</maker><model>H-bad</model><cropfactor>-3</cropfactor></camera>
  <camera><maker>Harrow</maker><model>H-none</model></camera>
</lensdatabase>)";

TEST_CASE("a sensor's table is read by maker and model, nonsense in it is passed over",
          "[gather_view]") {
    const testing::ScratchFolder folder;
    std::ofstream(folder / "table.xml") << kTable;
    std::ofstream(folder / "empty.xml");
    CHECK(crop_factor_of("HARROW", "h-24", folder.path()) == 1.534);
    CHECK(crop_factor_of("Harrow", "H-43", folder.path()) == 2.0);
    for (const char* model : {"H-bad", "H-none", "H-4", "H-433", ""}) {
        INFO(model);
        CHECK_FALSE(crop_factor_of("Harrow", model, folder.path()));
    }
    CHECK_FALSE(crop_factor_of("", "H-24", folder.path()));
}

TEST_CASE("the installed table gives the field of view of its generic cameras", "[gather_view]") {
    if (!std::filesystem::exists(kInstalled)) {
        WARN("liblensfun-data-v1 is not installed: nothing is checked");
        return;
    }
    // liblensfun-data-v1 0.3.3, generic.xml.
    const auto crop = crop_factor_of("Generic", "Crop-factor 2.0 (Four-Thirds)");
    REQUIRE(crop);
    CHECK_THAT(*crop, WithinAbs(2.0, 1e-6));
    Photo p = frame("a.jpg", 4000, 3000);  // its diagonal: 5000
    p.tags.focal_mm = 25;
    CHECK_FALSE(field_of_view(p, {}));  // control: no such camera in the table
    p.tags.make = "Generic";
    p.tags.model = "Crop-factor 2.0 (Four-Thirds)";
    const auto view = field_of_view(p, {});
    REQUIRE(view);
    CHECK_THAT(view->focal_px, WithinRel(25 * 2 * 5000 / kDiagonal_mm, 2e-5));
    CHECK(has(view->source, "lens database"));
    CHECK(has(view->source, "25 mm"));
}

TEST_CASE("of several sources the equivalent comes before focal plane and table", "[gather_view]") {
    Photo p = frame("a.jpg");
    p.tags.focal_mm = 60;
    p.tags.focal_plane_x_per_mm = 6000 / 23.5;
    const auto by_plane = field_of_view(p, {});
    REQUIRE(by_plane);
    CHECK(has(by_plane->source, "focal-plane"));
    CHECK_THAT(by_plane->focal_px, WithinRel(60 * 6000 / 23.5, 1e-9));
    p.tags.focal_35mm = 92;
    const auto by_equivalent = field_of_view(p, {});
    REQUIRE(by_equivalent);
    CHECK(has(by_equivalent->source, "35-mm equivalent"));
    CHECK(by_equivalent->focal_px != by_plane->focal_px);
}

TEST_CASE("what is missing is named: focal length, or the camera's sensor", "[gather_view]") {
    Photo no_sensor = frame("A_7.jpg");
    no_sensor.tags.focal_mm = 60;
    const std::string sensor = refusal({no_sensor});
    for (const char* word : {"A_7.jpg", "60 mm", "H-24", "--sensor", "--focal-35mm"}) {
        INFO(word);
        CHECK(has(sensor, word));
    }
    Photo nothing = frame("A_8.jpg");
    const std::string neither = refusal({nothing});
    CHECK(has(neither, "neither focal length nor sensor"));
    CHECK_FALSE(has(neither, "--sensor"));  // which would not help
    GatherOptions given;
    given.sensor_mm = {23.5, 15.7};
    CHECK(refusal({no_sensor}, given) == "accepted");
}

TEST_CASE("one frame's lost equivalent is made good by its camera's others", "[gather_view]") {
    std::vector<Photo> photos;
    for (int i = 0; i < 4; ++i) {
        photos.push_back(frame("A_" + std::to_string(i) + ".jpg"));
        photos.back().tags.focal_mm = 60;
        if (i > 0) photos.back().tags.focal_35mm = 92;
    }
    const CameraGroups groups = group_cameras(photos, {});
    CHECK(groups.key_of_photo == std::vector<std::string>(4, "main"));
    CHECK_THAT(groups.cameras.at("main").focal_px,
               WithinRel(92 * std::hypot(6000, 4000) / kDiagonal_mm, 2e-5));
    for (Photo& p : photos) p.tags.focal_35mm.reset();
    CHECK(has(refusal(photos), "A_0.jpg"));
}

TEST_CASE("another camera's field of view is never taken over", "[gather_view]") {
    std::vector<Photo> photos(4, frame("A_1.jpg"));
    for (Photo& p : photos) p.tags.focal_35mm = 92;
    photos[2].name = "B_1.jpg";
    photos[2].tags = PhotoTags{};
    CHECK(refusal(photos) == "accepted");  // its tags were lost: one of the set
    CHECK(has(group_cameras(photos, {}).views.at("second").source, "taken over"));
    photos[2].tags.make = "Harrow";
    photos[2].tags.model = "H-99";
    CHECK(has(refusal(photos), "B_1.jpg"));
    photos[2].tags.model = "H-24";
    photos[2].tags.focal_mm = 20;  // zoomed, and no word on how wide that is
    CHECK(has(refusal(photos), "20 mm"));
    photos[2].tags.focal_35mm = 30;
    CHECK(refusal(photos) == "accepted");
}

TEST_CASE("mixed cameras are cameras of their own, in the order of how frequent they are",
          "[gather_view]") {
    std::vector<Photo> photos;
    for (int i = 0; i < 9; ++i) {
        Photo p = frame("A_" + std::to_string(i) + ".jpg");
        p.tags.focal_35mm = 92;
        if (i % 3 == 1) p.tags.model = "H-43", p.info.stored_width = 5332;
        if (i == 4) p.tags.focal_35mm = 70;
        photos.push_back(p);
    }
    const CameraGroups groups = group_cameras(photos, {});
    CHECK(groups.key_of_photo == std::vector<std::string>{"main", "second", "main", "main", "third",
                                                          "main", "main", "second", "main"});
    CHECK(groups.cameras.at("second").width == 5332);
    CHECK_THAT(groups.cameras.at("third").focal_px / groups.cameras.at("second").focal_px,
               WithinRel(70.0 / 92, 1e-12));
    for (const auto& [key, view] : groups.views) CHECK_FALSE(view.source.empty());
}

}  // namespace
}  // namespace broadloom
