#include "io/xmp_packet.hpp"

#include <catch2/catch.hpp>
#include <pugixml.hpp>
#include <string>

#include "broadloom/error.hpp"

using namespace broadloom;

namespace {

const std::string kHostile =
    "</rdf:li><x:evil/>]]>&lt;\"'<!--<?xpacket end=\"w\"?>\x01\x0B\n\xFF\xEF\xBF\xBE";

/// The one description of a packet that must be well-formed.
pugi::xml_node description(pugi::xml_document& document, const std::string& packet) {
    const pugi::xml_parse_result result =
        document.load_buffer(packet.data(), packet.size(), pugi::parse_full, pugi::encoding_utf8);
    INFO(result.description());
    REQUIRE(result);
    return document.child("x:xmpmeta").child("rdf:RDF").child("rdf:Description");
}

XmpFields sample() {
    XmpFields f;
    f.title = "Quarry";
    f.creators = {"Ada Thornfield", "Tom Vale"};
    f.rights = "\xC2\xA9 Thornfield";
    f.description = "Stone & water";
    f.tool = "broadloom 0.1";
    f.taken = "2031-05-14T10:20:30";
    return f;
}

}  // namespace

TEST_CASE("A packet has its wrapper and reads back", "[xmp]") {
    const std::string packet = xmp_packet(sample());
    // ISO 16684-1, 7.3.2: header with a byte order mark and the fixed id, trailer.
    CHECK(packet.rfind("<?xpacket begin=\"\xEF\xBB\xBF\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>", 0) ==
          0);
    CHECK(packet.find("<?xpacket end=\"r\"?>") != std::string::npos);
    pugi::xml_document document;
    const pugi::xml_node d = description(document, packet);
    CHECK(std::string(d.attribute("rdf:about").value()).empty());
    const pugi::xml_node title = d.child("dc:title").child("rdf:Alt").child("rdf:li");
    CHECK(std::string(title.attribute("xml:lang").value()) == "x-default");
    CHECK(std::string(title.text().get()) == "Quarry");
    const pugi::xml_node creators = d.child("dc:creator").child("rdf:Seq");
    CHECK(std::string(creators.first_child().text().get()) == "Ada Thornfield");
    CHECK(std::string(creators.last_child().text().get()) == "Tom Vale");
    CHECK(std::string(d.child("dc:rights").child("rdf:Alt").child("rdf:li").text().get()) ==
          "\xC2\xA9 Thornfield");
    CHECK(std::string(d.child("dc:description").child("rdf:Alt").child("rdf:li").text().get()) ==
          "Stone & water");
    CHECK(std::string(d.child("xmp:CreatorTool").text().get()) == "broadloom 0.1");
    CHECK(std::string(d.child("xmp:CreateDate").text().get()) == "2031-05-14T10:20:30");
    CHECK(std::string(d.child("exif:DateTimeOriginal").text().get()) == "2031-05-14T10:20:30");
    CHECK(packet.find("GPS") == std::string::npos);
    CHECK(packet.find("GPano") == std::string::npos);
    CHECK(xmp_packet(sample()) == packet);
}

TEST_CASE("What is not known is not mentioned", "[xmp]") {
    const std::string packet = xmp_packet({});
    pugi::xml_document document;
    CHECK(!description(document, packet).first_child());
}

TEST_CASE("Hostile text stays text and leaves XML well-formed", "[xmp]") {
    XmpFields f = sample();
    f.title = f.rights = f.description = f.tool = f.taken = kHostile;
    f.creators = {kHostile, "x"};
    const std::string packet = xmp_packet(f);
    pugi::xml_document document;
    const pugi::xml_node d = description(document, packet);
    const std::string wanted =
        "</rdf:li><x:evil/>]]>&lt;\"'<!--<?xpacket end=\"w\"?>   \xEF\xBF\xBD\xEF\xBF\xBD";
    CHECK(std::string(d.child("dc:title").child("rdf:Alt").child("rdf:li").text().get()) == wanted);
    CHECK(std::string(d.child("dc:creator").child("rdf:Seq").first_child().text().get()) == wanted);
    CHECK(std::string(d.child("xmp:CreatorTool").text().get()) == wanted);
    CHECK(packet.find("<x:evil") == std::string::npos);
    CHECK(packet.find("xpacket end=\"w\"") == std::string::npos);
    for (const char c : packet) CHECK((static_cast<unsigned char>(c) >= 0x20 || c == '\n'));
    // As it is, it would not be well-formed.
    CHECK(!document.load_string(("<a>" + kHostile + "</a>").c_str()));
}

TEST_CASE("Positions are degrees and minutes with a letter", "[xmp]") {
    XmpFields f;
    f.latitude_deg = -46.502;
    f.longitude_deg = 7.675;
    f.altitude_m = -3.25;
    pugi::xml_document document;
    const pugi::xml_node d = description(document, xmp_packet(f));
    CHECK(std::string(d.child("exif:GPSLatitude").text().get()) == "46,30.120000S");
    CHECK(std::string(d.child("exif:GPSLongitude").text().get()) == "7,40.500000E");
    CHECK(std::string(d.child("exif:GPSAltitudeRef").text().get()) == "1");
    CHECK(std::string(d.child("exif:GPSAltitude").text().get()) == "33/10");
    f.latitude_deg = 45.9999999999;  // no 60 minutes
    f.altitude_m.reset();
    const std::string packet = xmp_packet(f);
    CHECK(packet.find("46,00.000000N") == std::string::npos);
    CHECK(packet.find(">46,0.000000N<") != std::string::npos);
    CHECK(packet.find("Altitude") == std::string::npos);
    f.latitude_deg = 90.5;
    CHECK_THROWS_AS(xmp_packet(f), Error);
}

TEST_CASE("A sphere's part is told in pixels and must lie on it", "[xmp]") {
    XmpFields f;
    f.sphere = SpherePart{36000, 18000, 12000, 7000, 9000, 4000};
    pugi::xml_document document;
    const pugi::xml_node d = description(document, xmp_packet(f));
    CHECK(std::string(d.child("GPano:ProjectionType").text().get()) == "equirectangular");
    CHECK(d.child("GPano:FullPanoWidthPixels").text().as_llong() == 36000);
    CHECK(d.child("GPano:FullPanoHeightPixels").text().as_llong() == 18000);
    CHECK(d.child("GPano:CroppedAreaLeftPixels").text().as_llong() == 12000);
    CHECK(d.child("GPano:CroppedAreaTopPixels").text().as_llong() == 7000);
    CHECK(d.child("GPano:CroppedAreaImageWidthPixels").text().as_llong() == 9000);
    CHECK(d.child("GPano:CroppedAreaImageHeightPixels").text().as_llong() == 4000);
    f.sphere->left = 27001;
    CHECK_THROWS_AS(xmp_packet(f), Error);
}
