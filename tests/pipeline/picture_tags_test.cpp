// What a finished TIFF and page say about the picture, read by others' programs: libvips, an XML
// parser and exiftool.
#include <vips/vips.h>

#include <catch2/catch.hpp>
#include <fstream>
#include <nlohmann/json.hpp>
#include <pugixml.hpp>
#include <string>

#include "support/exif_block.hpp"
#include "support/frame_files.hpp"
#include "support/small_scene.hpp"

using namespace broadloom::test;

namespace {

std::vector<uint8_t> text_bytes(const std::string& text) {
    std::vector<uint8_t> bytes(text.begin(), text.end());
    bytes.push_back(0);
    return bytes;
}

ExifEntry text_entry(uint16_t tag, const std::string& text, bool main) {
    const std::vector<uint8_t> bytes = text_bytes(text);
    return {tag, TiffDirectory::kAscii, static_cast<uint32_t>(bytes.size()), bytes, main};
}

ExifEntry angle_entry(uint16_t tag, uint32_t degrees, uint32_t minutes) {
    std::vector<uint8_t> bytes;
    for (const uint32_t v : {degrees, 1U, minutes, 1U, 0U, 1U}) put32(bytes, v);
    return {tag, TiffDirectory::kRational, 3, bytes};
}

/// Gives a scene's frames what a camera would have written.
void write_tags(const SmallScene& scene, const std::string& artist) {
    for (size_t i = 0; i < scene.json["frames"].size(); ++i) {
        ExifData d;
        d.make = "Harrow";
        d.model = "H-24";
        d.date_time = "2031:05:14 10:2" + std::to_string(i) + ":30";
        d.width = 300;
        d.height = 200;
        d.entries = {text_entry(0x010E, "Stone & water", true), text_entry(0x013B, artist, true),
                     text_entry(0x8298, "(c) 2031 Thornfield", true)};
        d.position = {text_entry(1, "N", false), angle_entry(2, 46, 30), text_entry(3, "E", false),
                      angle_entry(4, 7, 40)};
        std::vector<uint8_t> file = read_bytes(scene.frame(i));
        const std::vector<uint8_t> segment = exif_segment(d);
        file.insert(file.begin() + 2, segment.begin(), segment.end());
        write_bytes(scene.frame(i), file);
    }
}

/// The XMP packet of a picture by libvips; empty: none.
std::string xmp_of(const std::filesystem::path& tiff) {
    VipsImage* image = vips_image_new_from_file(tiff.c_str(), nullptr);
    if (image == nullptr) throw std::runtime_error(vips_error_buffer());
    const void* data = nullptr;
    size_t size = 0;
    std::string xmp;
    if (vips_image_get_typeof(image, VIPS_META_XMP_NAME) != 0 &&
        vips_image_get_blob(image, VIPS_META_XMP_NAME, &data, &size) == 0) {
        xmp.assign(static_cast<const char*>(data), size);
    }
    g_object_unref(image);
    return xmp;
}

std::string file_text(const std::filesystem::path& path) {
    std::ifstream file(path, std::ios::binary);
    return {std::istreambuf_iterator<char>(file), std::istreambuf_iterator<char>()};
}

}  // namespace

TEST_CASE("The TIFF and the page say who, whose, when and what", "[metadata]") {
    SmallScene scene;
    scene.json["title"] = "Quarry above the weir";
    write_tags(scene, "Ada Thornfield");
    REQUIRE(scene.render().status == 0);
    const std::string xmp = xmp_of(scene.out() / "pano.tif");
    pugi::xml_document document;
    REQUIRE(document.load_string(xmp.c_str()));
    const pugi::xml_node d = document.child("x:xmpmeta").child("rdf:RDF").child("rdf:Description");
    const auto text = [&](const char* name, const char* kind) {
        return std::string(d.child(name).child(kind).child("rdf:li").text().get());
    };
    CHECK(text("dc:title", "rdf:Alt") == "Quarry above the weir");
    CHECK(text("dc:creator", "rdf:Seq") == "Ada Thornfield");
    CHECK(text("dc:rights", "rdf:Alt") == "(c) 2031 Thornfield");
    CHECK(text("dc:description", "rdf:Alt") ==
          "Stone & water. Photographed from 2031-05-14 10:20:30 to 10:25:30.");
    CHECK(std::string(d.child("GPano:ProjectionType").text().get()) == "equirectangular");
    CHECK(xmp.find("GPS") == std::string::npos);
    const std::string page = file_text(scene.out() / "index.html");
    CHECK(page.find("\"credit\":\"Ada Thornfield\"") != std::string::npos);
    CHECK(page.find("\"taken\":\"2031-05-14 10:20:30 to 10:25:30\"") != std::string::npos);
    CHECK(page.find("\"place\":\"\"") != std::string::npos);
    CHECK(page.find("46.5") == std::string::npos);
}

TEST_CASE("The place is told when asked; a cylinder is no photo sphere", "[metadata]") {
    SmallScene scene;
    scene.json["canvas"]["surface"] = "cylinder";
    write_tags(scene, "Ada Thornfield");
    REQUIRE(scene.render({"--location"}).status == 0);
    const std::string xmp = xmp_of(scene.out() / "pano.tif");
    CHECK(xmp.find("<exif:GPSLatitude>46,30.000000N</exif:GPSLatitude>") != std::string::npos);
    CHECK(xmp.find("GPano") == std::string::npos);
    CHECK(file_text(scene.out() / "index.html").find("46.50000\xC2\xB0 N, 7.66667\xC2\xB0 E") !=
          std::string::npos);
}

TEST_CASE("exiftool reads the values that were meant", "[metadata]") {
    if (run_process({"sh", "-c", "command -v exiftool"}).status != 0) {
        WARN("skipped: exiftool is not installed (package libimage-exiftool-perl)");
        return;
    }
    SmallScene scene;
    const std::string hostile = "</rdf:li>\"&'<?x Thorn\xC3\xA6";
    write_tags(scene, hostile);
    REQUIRE(scene.render({"--location"}).status == 0);
    const ProcessResult read = run_process(
        {"exiftool", "-j", "-n", "-G1", "-charset", "UTF8", (scene.out() / "pano.tif").string()});
    REQUIRE(read.status == 0);
    const nlohmann::json tags = nlohmann::json::parse(read.out)[0];
    CHECK(tags["IFD0:Artist"] == hostile);
    CHECK(tags["XMP-dc:Creator"] == hostile);
    CHECK(tags["IFD0:Copyright"] == "(c) 2031 Thornfield");
    CHECK(tags["IFD0:ModifyDate"] == "2031:05:14 10:20:30");
    CHECK(tags["XMP-exif:DateTimeOriginal"] == "2031:05:14 10:20:30");
    CHECK(tags["IFD0:ImageDescription"] == tags["XMP-dc:Description"]);
    CHECK(tags["XMP-exif:GPSLatitude"].get<double>() == 46.5);
    CHECK(tags["XMP-GPano:ProjectionType"] == "equirectangular");
    CHECK(tags["XMP-GPano:CroppedAreaImageWidthPixels"] == tags["IFD0:ImageWidth"]);
    CHECK(!tags.contains("ExifTool:Warning"));
    CHECK(!tags.contains("ExifTool:Error"));
    // The checks would see a wrong value.
    CHECK(tags["IFD0:Artist"] != "Ada Thornfield");
}
