#include "support/world_letters.hpp"

#include <algorithm>
#include <cstddef>

namespace broadloom::test {

namespace {

constexpr double kAdvance = 0.92;  // of a letter, capitals' height = 1

/// Strokes of a letter: points as two digits (x 0..4, y 0..6), '|' begins a new stroke.
std::string_view strokes_of(char c) {
    switch (c) {
        case 'A':
            return "002640|1232";
        case 'B':
            return "00063645443303|3342413000";
        case 'C':
            return "4536160501103041";
        case 'D':
            return "00062644422000";
        case 'E':
            return "46060040|0333";
        case 'F':
            return "460600|0333";
        case 'G':
            return "45361605011030414323";
        case 'H':
            return "0006|4046|0343";
        case 'I':
            return "2026";
        case 'J':
            return "4641301001";
        case 'K':
            return "0006|460340";
        case 'L':
            return "060040";
        case 'M':
            return "0006234640";
        case 'N':
            return "00064046";
        case 'O':
            return "160501103041453616";
        case 'P':
            return "00063645443303";
        case 'Q':
            return "160501103041453616|2240";
        case 'R':
            return "00063645443303|2340";
        case 'S':
            return "453616050413334241301001";
        case 'T':
            return "0646|2620";
        case 'U':
            return "060110304146";
        case 'V':
            return "062046";
        case 'W':
            return "0610243046";
        case 'X':
            return "0046|0640";
        case 'Y':
            return "062346|2320";
        case 'Z':
            return "06460040";
        case '0':
            return "160501103041453616|1135";
        case '1':
            return "152620|1030";
        case '2':
            return "051636454400|0040";
        case '3':
            return "0516364544334241301001|1333";
        case '4':
            return "36020242|3630";
        case '5':
            return "46060333424130100110";
        case '6':
            return "3616050110304142330302";
        case '7':
            return "064620";
        case '8':
            return "133344453616050413020110304142 33";
        case '9':
            return "104246361605041343";
        case '&':
            return "4004152635020110204042";
        case '.':
            return "2021";
        case '-':
            return "1333";
        default:
            return "";
    }
}

double distance_squared(double x, double y, double ax, double ay, double bx, double by) {
    const double dx = bx - ax;
    const double dy = by - ay;
    const double length = dx * dx + dy * dy;
    const double t =
        length > 0 ? std::clamp(((x - ax) * dx + (y - ay) * dy) / length, 0.0, 1.0) : 0.0;
    const double ex = x - ax - t * dx;
    const double ey = y - ay - t * dy;
    return ex * ex + ey * ey;
}

}  // namespace

double text_width(std::string_view text) {
    return text.empty() ? 0 : kAdvance * static_cast<double>(text.size()) - (kAdvance - 0.64);
}

bool text_covers(std::string_view text, double x, double y, double weight) {
    if (y < -weight || y > 1 + weight) return false;
    const double reach = weight * weight / 4;
    // A stroke may stand out of its cell by half its width, so the cell to the left counts too.
    const double cell = (x + weight / 2) / kAdvance;
    if (cell < 0) return false;
    const auto i = static_cast<size_t>(cell);
    if (i >= text.size()) return false;
    const double gx = x - kAdvance * static_cast<double>(i);
    const std::string_view strokes = strokes_of(text[i]);
    double px = 0;
    double py = 0;
    bool pen = false;
    for (size_t k = 0; k + 1 < strokes.size();) {
        if (strokes[k] == '|' || strokes[k] == ' ') {
            pen = pen && strokes[k] == ' ';
            ++k;
            continue;
        }
        const double qx = (strokes[k] - '0') * 0.16;
        const double qy = (strokes[k + 1] - '0') / 6.0;
        if (pen && distance_squared(gx, y, px, py, qx, qy) <= reach) return true;
        px = qx;
        py = qy;
        pen = true;
        k += 2;
    }
    return false;
}

}  // namespace broadloom::test
