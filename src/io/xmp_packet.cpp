#include "io/xmp_packet.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <string_view>

#include "broadloom/error.hpp"
#include "io/web_text.hpp"

namespace broadloom {

namespace {

void require(bool good, const char* what) {
    if (!good) {
        throw Error(ErrorCode::internal, std::string("metadata: ") + what + "; please report this");
    }
}

/// Writes properties of one description, one line each.
class Properties {
  public:
    void simple(std::string_view name, std::string_view value) {
        if (value.empty()) return;
        open(name);
        text_ += xml_text(value);
        close(name);
    }
    void number(std::string_view name, int64_t value) { simple(name, std::to_string(value)); }
    /// One text for every language (ISO 16684-1, 8.2.2.4).
    void any_language(std::string_view name, std::string_view value) {
        if (value.empty()) return;
        open(name);
        text_ +=
            "<rdf:Alt><rdf:li xml:lang=\"x-default\">" + xml_text(value) + "</rdf:li></rdf:Alt>";
        close(name);
    }
    /// In order.
    void list(std::string_view name, const std::vector<std::string>& values) {
        if (values.empty()) return;
        open(name);
        text_ += "<rdf:Seq>";
        for (const std::string& value : values) text_ += "<rdf:li>" + xml_text(value) + "</rdf:li>";
        text_ += "</rdf:Seq>";
        close(name);
    }
    [[nodiscard]] const std::string& text() const { return text_; }

  private:
    void open(std::string_view name) {
        text_ += "   <";
        text_ += name;
        text_ += '>';
    }
    void close(std::string_view name) {
        text_ += "</";
        text_ += name;
        text_ += ">\n";
    }
    std::string text_;
};

/// "46,30.123456N": degrees, minutes and a letter, as the Exif schema of XMP wants an angle
/// (XMP specification, part 2, "GPSCoordinate").
std::string coordinate(double degrees, double most, char plus, char minus) {
    require(std::abs(degrees) <= most, "a position is out of range");
    // In millionths of a minute, 2 mm on the ground, so that 59.9999999 does not become 60.
    const auto millionths = static_cast<int64_t>(std::llround(std::abs(degrees) * 60e6));
    std::array<char, 40> text{};
    std::snprintf(text.data(), text.size(), "%lld,%lld.%06lld%c",
                  static_cast<long long>(millionths / 60'000'000),
                  static_cast<long long>(millionths / 1'000'000 % 60),
                  static_cast<long long>(millionths % 1'000'000), degrees < 0 ? minus : plus);
    return text.data();
}

void add_position(Properties& p, const XmpFields& f) {
    if (!f.latitude_deg || !f.longitude_deg) return;
    p.simple("exif:GPSVersionID", "2.3.0.0");
    p.simple("exif:GPSLatitude", coordinate(*f.latitude_deg, 90, 'N', 'S'));
    p.simple("exif:GPSLongitude", coordinate(*f.longitude_deg, 180, 'E', 'W'));
    if (!f.altitude_m) return;
    require(std::abs(*f.altitude_m) < 1e7, "an altitude is out of range");
    const long long tenths = std::llround(std::abs(*f.altitude_m) * 10);
    p.simple("exif:GPSAltitudeRef", *f.altitude_m < 0 ? "1" : "0");
    p.simple("exif:GPSAltitude", std::to_string(tenths) + "/10");
}

/// The properties that viewers of whole spheres read.
void add_sphere(Properties& p, const SpherePart& s) {
    require(s.left >= 0 && s.top >= 0 && s.width > 0 && s.height > 0 &&
                s.left + s.width <= s.full_width && s.top + s.height <= s.full_height,
            "a picture lies outside of its sphere");
    p.simple("GPano:UsePanoramaViewer", "True");
    p.simple("GPano:ProjectionType", "equirectangular");
    p.number("GPano:FullPanoWidthPixels", s.full_width);
    p.number("GPano:FullPanoHeightPixels", s.full_height);
    p.number("GPano:CroppedAreaLeftPixels", s.left);
    p.number("GPano:CroppedAreaTopPixels", s.top);
    p.number("GPano:CroppedAreaImageWidthPixels", s.width);
    p.number("GPano:CroppedAreaImageHeightPixels", s.height);
}

}  // namespace

std::string xml_text(std::string_view text) {
    std::string out = html_text(text);
    // U+FFFE and U+FFFF are UTF-8, but no characters of XML (XML 1.0, 2.2).
    for (const std::string_view bad : {"\xEF\xBF\xBE", "\xEF\xBF\xBF"}) {
        for (size_t at = out.find(bad); at != std::string::npos; at = out.find(bad, at)) {
            out.replace(at, bad.size(), "\xEF\xBF\xBD");
        }
    }
    return out;
}

std::string xmp_packet(const XmpFields& f) {
    Properties p;
    p.any_language("dc:title", f.title);
    p.list("dc:creator", f.creators);
    p.any_language("dc:rights", f.rights);
    p.any_language("dc:description", f.description);
    p.simple("xmp:CreatorTool", f.tool);
    p.simple("xmp:CreateDate", f.taken);
    p.simple("exif:DateTimeOriginal", f.taken);
    add_position(p, f);
    if (f.sphere) add_sphere(p, *f.sphere);
    std::string names =
        " xmlns:dc=\"http://purl.org/dc/elements/1.1/\""
        " xmlns:xmp=\"http://ns.adobe.com/xap/1.0/\""
        " xmlns:exif=\"http://ns.adobe.com/exif/1.0/\"";
    if (f.sphere) names += " xmlns:GPano=\"http://ns.google.com/photos/1.0/panorama/\"";
    // The id is the standard's own for every packet (ISO 16684-1, 7.3.2); "r": not to be changed in
    // place, so there is no room to grow.
    return "<?xpacket begin=\"\xEF\xBB\xBF\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n"
           "<x:xmpmeta xmlns:x=\"adobe:ns:meta/\">\n"
           " <rdf:RDF xmlns:rdf=\"http://www.w3.org/1999/02/22-rdf-syntax-ns#\">\n"
           "  <rdf:Description rdf:about=\"\"" +
           names + ">\n" + p.text() +
           "  </rdf:Description>\n"
           " </rdf:RDF>\n"
           "</x:xmpmeta>\n"
           "<?xpacket end=\"r\"?>\n";
}

}  // namespace broadloom
