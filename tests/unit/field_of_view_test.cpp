/// The focal length in pixels from what cameras and users say.
/// Outside values: angles of view of a frame 36 mm wide, 2 atan(36 / 2f) (computed);
/// "35-mm equivalent" compares diagonals (CIPA DCG-001), 43.267 mm for 36 x 24.
#include "gather/field_of_view.hpp"

#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <fstream>
#include <numbers>
#include <string>
#include <vector>

#include "broadloom/error.hpp"
#include "support/scratch_folder.hpp"

namespace broadloom {
namespace {

using Catch::WithinAbs;
using Catch::WithinRel;

constexpr double kDiagonal_mm = 43.266615305567875;  // hypot(36, 24)

Photo frame(int64_t width, int64_t height) {
    Photo p;
    p.name = "A_1.jpg";
    p.info.stored_width = width;
    p.info.stored_height = height;
    p.tags.make = "Harrow";
    p.tags.model = "H-24";
    return p;
}

double angle_deg(double focal_px, double side_px) {
    return 2 * std::atan(side_px / 2 / focal_px) * 180 / std::numbers::pi;
}

FieldOfView view_of(const Photo& photo, const GatherOptions& options = {}) {
    const auto view = field_of_view(photo, options);
    REQUIRE(view);
    return *view;
}

bool has(const std::string& text, const std::string& part) {
    return text.find(part) != std::string::npos;
}

TEST_CASE("35-mm equivalents give the known angles on 3:2 frames", "[field_of_view]") {
    constexpr std::array<std::array<double, 2>, 8> kTable{{{14, 104.250033},
                                                           {24, 73.739795},
                                                           {28, 65.470453},
                                                           {35, 54.432223},
                                                           {50, 39.597753},
                                                           {85, 23.913168},
                                                           {135, 15.189287},
                                                           {200, 10.285529}}};
    for (const auto& [mm, degrees] : kTable) {
        Photo p = frame(6000, 4000);
        p.tags.focal_35mm = mm;
        // The table's last digit; the constant of the diagonal is good for a hundredth of it.
        CHECK_THAT(angle_deg(view_of(p).focal_px, 6000), WithinAbs(degrees, 1e-6));
        // An angle that goes with 1/f, from 50 mm, is wrong: the check would see it.
        if (mm != 50) CHECK(std::abs(39.597753 * 50 / mm - degrees) > 0.1);
    }
    Photo tele = frame(6000, 4000);
    tele.tags.focal_35mm = 400;
    CHECK_THAT(angle_deg(view_of(tele).focal_px, 6000), WithinAbs(5.153, 5e-4));
    CHECK_THAT(angle_deg(view_of(tele).focal_px, 4000), WithinAbs(3.437, 5e-4));
}

TEST_CASE("equivalents compare diagonals, not widths", "[field_of_view]") {
    Photo p = frame(4000, 3000);  // diagonal 5000
    p.tags.focal_35mm = 50;
    const FieldOfView view = view_of(p);
    CHECK_THAT(view.focal_px, WithinRel(50 * 5000 / kDiagonal_mm, 1e-7));
    // On 4:3 frames the width would give 4 % less.
    CHECK_THAT(view.focal_px / (50.0 * 4000 / 36), WithinAbs(1.04, 5e-4));
    CHECK(has(view.source, "35-mm equivalent"));
    CHECK(has(view.source, "50 mm"));
    // Upright or on its side: the same lens.
    Photo side = frame(3000, 4000);
    side.tags.focal_35mm = 50;
    CHECK(view_of(side).focal_px == view.focal_px);
}

TEST_CASE("whole millimetres of short lenses are trusted less", "[field_of_view]") {
    Photo p = frame(6000, 4000);
    p.tags.focal_35mm = 50;
    CHECK(view_of(p).sigma == 0.02);
    p.tags.focal_35mm = 14;
    CHECK_THAT(view_of(p).sigma, WithinRel(0.5 / 14, 1e-12));
}

TEST_CASE("resized frames keep their field of view, cut ones do not", "[field_of_view]") {
    Photo whole = frame(6000, 4000);
    whole.tags.focal_35mm = 50;
    whole.tags.exif_width = 6000;
    whole.tags.exif_height = 4000;
    const double full = angle_deg(view_of(whole).focal_px, 6000);
    Photo small = whole;
    small.info.stored_width = 1500;
    small.info.stored_height = 1000;
    CHECK_THAT(angle_deg(view_of(small).focal_px, 1500), WithinAbs(full, 1e-9));
    Photo turned = whole;  // turned by a program that left the size in the tags
    turned.info.stored_width = 1000;
    turned.info.stored_height = 1500;
    CHECK(view_of(turned).focal_px == view_of(small).focal_px);
    CHECK_FALSE(has(view_of(turned).source, "cut"));
    Photo cut = whole;
    cut.info.stored_width = 4000;
    CHECK(view_of(cut).focal_px == view_of(whole).focal_px);
    CHECK(has(view_of(cut).source, "cut"));
    CHECK_FALSE(has(view_of(small).source, "cut"));
}

TEST_CASE("focal-plane resolution speaks of the unresized picture", "[field_of_view]") {
    Photo p = frame(6000, 4000);
    p.tags.focal_mm = 50;
    p.tags.focal_plane_x_per_mm = 6000.0 / 23.5;
    p.tags.exif_width = 6000;
    p.tags.exif_height = 4000;
    CHECK_THAT(view_of(p).focal_px, WithinRel(50 * 6000 / 23.5, 1e-12));
    CHECK(has(view_of(p).source, "focal-plane"));
    p.info.stored_width = 3000;
    p.info.stored_height = 2000;
    CHECK_THAT(view_of(p).focal_px, WithinRel(50 * 3000 / 23.5, 1e-12));
    // A sensor of 600 m is a slip of the unit.
    p.tags.focal_plane_x_per_mm = 0.01;
    CHECK_FALSE(field_of_view(p, {}));
}

TEST_CASE("the options come first and say so", "[field_of_view]") {
    Photo p = frame(6000, 4000);
    p.tags.focal_35mm = 75;
    p.tags.focal_mm = 50;
    GatherOptions options;
    options.focal_35mm = 100;
    CHECK_THAT(view_of(p, options).focal_px,
               WithinRel(100 * std::hypot(6000, 4000) / kDiagonal_mm, 1e-7));
    CHECK(has(view_of(p, options).source, "--focal-35mm"));
    GatherOptions sensor;
    sensor.sensor_mm = {23.4, 15.6};
    CHECK_THAT(view_of(p, sensor).focal_px, WithinRel(50 * 6000 / 23.4, 1e-12));
    CHECK(has(view_of(p, sensor).source, "--sensor"));
    // Its sides differ from the equivalent's by more than the check lets through.
    CHECK(std::abs(view_of(p).focal_px / (50 * 6000 / 23.4) - 1) > 1e-3);
}

const char* const kTable = R"(<!DOCTYPE lensdatabase SYSTEM "x.dtd">
<lensdatabase version="1">
  <!-- <camera><maker>Harrow</maker><model>H-99</model><cropfactor>9</cropfactor></camera> -->
  <camera>
    <maker>Harrow Optical  Co.</maker><maker lang="en">Harrow</maker>
    <model>Harrow H-24</model><model lang="en">H-24</model>
    <mount>harrow</mount><cropfactor>1.5</cropfactor>
  </camera>
  <camera><maker>Harrow</maker><model>H-0</model><cropfactor>none</cropfactor></camera>
  <lens><maker>Harrow</maker><model>H-50</model><cropfactor>2</cropfactor></lens>
</lensdatabase>)";

TEST_CASE("sensors are found in a lens database by maker and model", "[field_of_view]") {
    const testing::ScratchFolder folder;
    std::ofstream(folder / "b.xml") << kTable;
    std::ofstream(folder / "a.xml") << "<lensdatabase><camera><maker>broken";
    std::ofstream(folder / "c.txt") << "no table";
    CHECK(crop_factor_of("Harrow", "H-24", folder.path()) == 1.5);
    CHECK(crop_factor_of("  HARROW optical co. ", "harrow  h-24", folder.path()) == 1.5);
    // Near is not the same; comments, lenses and entries without a number are no cameras.
    for (const char* model : {"H-240", "H-2", "H-99", "H-50", "H-0", ""}) {
        CHECK_FALSE(crop_factor_of("Harrow", model, folder.path()));
    }
    CHECK_FALSE(crop_factor_of("Hallow", "H-24", folder.path()));
    CHECK_FALSE(crop_factor_of("Harrow", "H-24", folder / "missing"));
}

TEST_CASE("the installed lens database knows its own generic cameras", "[field_of_view]") {
    if (!std::filesystem::exists("/usr/share/lensfun/version_1/generic.xml")) {
        WARN("liblensfun-data-v1 is not installed: nothing is checked");
        return;
    }
    // liblensfun-data-v1 0.3.3, generic.xml.
    Photo p = frame(6000, 4000);
    p.tags.make = "Generic";
    p.tags.model = "Crop-factor 1.1";
    p.tags.focal_mm = 50;
    CHECK_THAT(view_of(p).focal_px,
               WithinRel(50 * 1.1 * std::hypot(6000, 4000) / kDiagonal_mm, 1e-7));
    CHECK(has(view_of(p).source, "lens database"));
    CHECK(has(view_of(p).source, "Crop-factor 1.1"));
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

TEST_CASE("a frame without a field of view is named, with what to do", "[field_of_view]") {
    const std::string none = refusal({frame(6000, 4000)});
    CHECK(has(none, "A_1.jpg"));
    CHECK(has(none, "--focal-35mm"));
    GatherOptions sensor;
    sensor.sensor_mm = {36, 24};
    const std::string no_focal = refusal({frame(6000, 4000)}, sensor);
    CHECK(has(no_focal, "--sensor"));
    CHECK(has(no_focal, "--focal-35mm"));
    GatherOptions given;
    given.focal_35mm = 50;
    CHECK(refusal({frame(6000, 4000)}, given) == "accepted");
}

TEST_CASE("frames are grouped by camera, the most frequent first", "[field_of_view]") {
    std::vector<Photo> photos(5, frame(6000, 4000));
    for (Photo& p : photos) p.tags.focal_35mm = 50;
    photos[0].tags.model = "H-25";
    photos[0].tags.focal_35mm = 28;
    photos[3].orientation = 6;
    const CameraGroups groups = group_cameras(photos, {});
    CHECK(groups.key_of_photo ==
          std::vector<std::string>{"second", "main", "main", "third", "main"});
    REQUIRE(groups.cameras.size() == 3);
    CHECK(groups.cameras.at("main").width == 6000);
    CHECK(groups.cameras.at("third").width == 4000);
    CHECK(groups.cameras.at("third").height == 6000);
    CHECK(groups.cameras.at("third").focal_px == groups.cameras.at("main").focal_px);
    CHECK_THAT(groups.cameras.at("second").focal_px / groups.cameras.at("main").focal_px,
               WithinRel(28.0 / 50, 1e-12));
    CHECK(groups.views.at("main").focal_px == groups.cameras.at("main").focal_px);
}

TEST_CASE("a frame that lost its tags takes the field of view of the others", "[field_of_view]") {
    std::vector<Photo> photos(3, frame(6000, 4000));
    for (Photo& p : photos) p.tags.focal_35mm = 50;
    photos[1].tags = PhotoTags{};
    const CameraGroups groups = group_cameras(photos, {});
    const std::string own = groups.key_of_photo[1];
    CHECK(groups.cameras.at(own).focal_px == groups.cameras.at("main").focal_px);
    // Not one of another size.
    photos[1].info.stored_width = 5000;
    CHECK(has(refusal(photos), "--focal-35mm"));
}

}  // namespace
}  // namespace broadloom
