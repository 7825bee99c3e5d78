#include "render/metadata.hpp"

#include <catch2/catch.hpp>
#include <string>
#include <vector>

#include "support/close_to.hpp"

using namespace broadloom;
using testing::close_to;

namespace {

PhotoTags tags_at(const std::string& date_time, const std::string& artist = {},
                  const std::string& copyright = {}, const std::string& description = {}) {
    PhotoTags t;
    t.time_s = capture_seconds(date_time, "");
    t.time_taken = t.time_s.has_value();
    t.artist = artist;
    t.copyright = copyright;
    t.description = description;
    return t;
}

PictureMetadata collect(const Scene& scene, const std::vector<PhotoTags>& tags,
                        bool location = false) {
    std::vector<std::string> notes;
    return collect_metadata(scene, tags, location, notes);
}

std::string description_of(const std::vector<std::string>& texts) {
    std::vector<PhotoTags> tags;
    for (const std::string& text : texts) tags.push_back(tags_at("", "", "", text));
    return collect({}, tags).description;
}

Canvas canvas_of(double left, double right, double top, double bottom, double s) {
    Scene scene;
    scene.canvas.left_deg = left;
    scene.canvas.right_deg = right;
    scene.canvas.top_deg = top;
    scene.canvas.bottom_deg = bottom;
    scene.canvas.pixels_per_degree = s;
    scene.cameras["main"] = Camera{600, 400, 500, {}, {}, {}, {}};
    Frame frame;
    frame.camera = "main";
    frame.yaw_deg = frame.pitch_deg = 0;
    scene.frames = {frame};
    return make_canvas(scene, 1);
}

std::string property(const std::string& xmp, const std::string& name) {
    const size_t start = xmp.find("<" + name + ">");
    if (start == std::string::npos) return "none";
    const size_t from = start + name.size() + 2;
    return xmp.substr(from, xmp.find('<', from) - from);
}

}  // namespace

TEST_CASE("The scene's words stand before the frames' own, which are joined", "[metadata]") {
    const std::vector<PhotoTags> tags{tags_at("", "Ada Thornfield", "(c) A"),
                                      tags_at("", " Tom Vale\n", "(c) B"),
                                      tags_at("", "Ada Thornfield", "(c) A"), tags_at("")};
    Scene scene;
    PictureMetadata m = collect(scene, tags);
    CHECK(m.creators == std::vector<std::string>{"Ada Thornfield", "Tom Vale"});
    CHECK(m.creator_line() == "Ada Thornfield; Tom Vale");
    CHECK(m.rights == "(c) A; (c) B");
    scene.title = "Quarry\x01";
    scene.credit = "Mill Society";
    scene.rights = "CC BY";
    m = collect(scene, tags);
    CHECK(m.title == "Quarry");
    CHECK(m.creator_line() == "Mill Society");
    CHECK(m.rights == "CC BY");
}

TEST_CASE("Descriptions by people are kept, those by cameras are not", "[metadata]") {
    CHECK(description_of({"The quarry at noon", "The quarry at noon"}) == "The quarry at noon");
    CHECK(description_of({"DIGITAL PICTURE", "DIGITAL PICTURE", ""}).empty());
    CHECK(description_of({"   ", ""}).empty());
    CHECK(description_of({"\xC3\x9C"
                          "BER DEM WEHR"}) ==
          "\xC3\x9C"
          "BER DEM WEHR");
    CHECK(description_of({"NORTH", "SOUTH"}) == "NORTH; SOUTH");
    CHECK(description_of({"one", "two", "three", "four"}).empty());
}

TEST_CASE("The times are those of the first and the last photograph", "[metadata]") {
    std::vector<PhotoTags> tags{tags_at("2031:05:14 10:41:02"), tags_at("2031:05:14 10:20:30"),
                                tags_at("")};
    PhotoTags written = tags_at("1999:01:01 00:00:00");  // when a file was written, not taken
    written.time_taken = false;
    tags.push_back(written);
    const PictureMetadata m = collect({}, tags);
    CHECK(m.first_taken == "2031-05-14 10:20:30");
    CHECK(m.last_taken == "2031-05-14 10:41:02");
    CHECK(m.taken_range() == "2031-05-14 10:20:30 to 10:41:02");
    CHECK(m.full_description() == "Photographed from 2031-05-14 10:20:30 to 10:41:02.");
    CHECK(m.tiff_date_time() == "2031:05:14 10:20:30");
    tags[0] = tags_at("2031:05:15 00:00:01");
    tags[0].description = "By the weir";
    CHECK(collect({}, tags).full_description() ==
          "By the weir. Photographed from 2031-05-14 10:20:30 to 2031-05-15 00:00:01.");
    CHECK(collect({}, {}).full_description().empty());
    CHECK(collect({}, {}).tiff_date_time().empty());
}

TEST_CASE("The position is taken over only when asked, and when it is one place", "[metadata]") {
    std::vector<PhotoTags> tags(3);
    tags[0].position = GeoPosition{46.5, 179.9999, 800};
    tags[2].position = GeoPosition{46.5001, -179.9999, 820};
    CHECK(!collect({}, tags).position);
    const std::string without = picture_xmp(collect({}, tags), canvas_of(-20, 20, 10, -10, 30));
    CHECK(without.find("GPS") == std::string::npos);

    const PictureMetadata m = collect({}, tags, true);
    REQUIRE(m.position);
    CHECK(m.position->latitude_deg == close_to(46.50005).margin(1e-6));
    CHECK(std::abs(m.position->longitude_deg) == close_to(180).margin(1e-6));
    CHECK(m.place().find("46.50005\xC2\xB0 N, 180.00000\xC2\xB0 ") == 0);
    CHECK(picture_xmp(m, canvas_of(-20, 20, 10, -10, 30)).find("exif:GPSLatitude") !=
          std::string::npos);

    tags[1].position = GeoPosition{46.6, 180, {}};  // 11 km on
    std::vector<std::string> notes;
    CHECK(!collect_metadata({}, tags, true, notes).position);
    REQUIRE(notes.size() == 1);
    CHECK(notes[0].find("km") != std::string::npos);
}

TEST_CASE("A part of a sphere lies where it belongs on the whole one", "[metadata]") {
    // 100 px a degree: the sphere is 36000 x 18000, its middle at longitude 0, latitude 0.
    std::string xmp = picture_xmp({}, canvas_of(-60, 60, 20, -25, 100));
    CHECK(property(xmp, "GPano:FullPanoWidthPixels") == "36000");
    CHECK(property(xmp, "GPano:FullPanoHeightPixels") == "18000");
    CHECK(property(xmp, "GPano:CroppedAreaLeftPixels") == "12000");
    CHECK(property(xmp, "GPano:CroppedAreaTopPixels") == "7000");
    CHECK(property(xmp, "GPano:CroppedAreaImageWidthPixels") == "12000");
    CHECK(property(xmp, "GPano:CroppedAreaImageHeightPixels") == "4500");
    // Across the sphere's edge: in its middle, since it cannot be cut in two.
    xmp = picture_xmp({}, canvas_of(150, 250, 20, -25, 100));
    CHECK(property(xmp, "GPano:CroppedAreaLeftPixels") == "13000");
    // Right up to the edge, and beyond 180 in degrees.
    xmp = picture_xmp({}, canvas_of(100, 180, 20, -25, 100));
    CHECK(property(xmp, "GPano:CroppedAreaLeftPixels") == "28000");
    xmp = picture_xmp({}, canvas_of(200, 260, 20, -25, 100));
    CHECK(property(xmp, "GPano:CroppedAreaLeftPixels") == "2000");
    // All round; the width is rounded to a multiple of 512 and the scale with it.
    xmp = picture_xmp({}, canvas_of(-180, 180, 90, -90, 100));
    CHECK(property(xmp, "GPano:FullPanoWidthPixels") == "35840");
    CHECK(property(xmp, "GPano:FullPanoHeightPixels") == "17920");
    CHECK(property(xmp, "GPano:CroppedAreaLeftPixels") == "0");
    CHECK(property(xmp, "GPano:CroppedAreaTopPixels") == "0");
    CHECK(property(xmp, "GPano:CroppedAreaImageHeightPixels") == "17920");
}

TEST_CASE("A cylinder is no photo sphere", "[metadata]") {
    Canvas canvas = canvas_of(-60, 60, 20, -25, 100);
    CHECK(picture_xmp({}, canvas).find("GPano") != std::string::npos);
    canvas.surface = Surface::cylinder;
    CHECK(picture_xmp({}, canvas).find("GPano") == std::string::npos);
}
