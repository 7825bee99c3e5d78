/// PROJ as an outside reference: one projection of a sphere, in degrees and metres.
#pragma once

#include <proj.h>

#include <optional>
#include <stdexcept>
#include <string>

#include "broadloom/rotation.hpp"

namespace broadloom::testing {

class ProjSphere {
  public:
    /// `definition` like "+proj=gnom +lon_0=-100 +lat_0=40 +R=1".
    explicit ProjSphere(const std::string& definition)
        : context_(proj_context_create()), proj_(proj_create(context_, definition.c_str())) {
        if (!proj_) throw std::runtime_error("PROJ refuses " + definition);
    }
    ~ProjSphere() {
        proj_destroy(proj_);
        proj_context_destroy(context_);
    }
    ProjSphere(const ProjSphere&) = delete;
    ProjSphere& operator=(const ProjSphere&) = delete;

    /// x east, y north; nullopt where the projection has no value.
    [[nodiscard]] std::optional<Vec2> forward(double lon_deg, double lat_deg) const {
        proj_errno_reset(proj_);
        const PJ_COORD out =
            proj_trans(proj_, PJ_FWD, proj_coord(lon_deg * kRadPerDeg, lat_deg * kRadPerDeg, 0, 0));
        if (proj_errno(proj_) != 0) return std::nullopt;
        return Vec2{out.xy.x, out.xy.y};
    }

  private:
    PJ_CONTEXT* context_;
    PJ* proj_;
};

/// The direction with a longitude (to the right of Z) and a latitude (up, against Y).
inline Vec3 direction_of(double lon_deg, double lat_deg) {
    const double lon = lon_deg * kRadPerDeg;
    const double lat = lat_deg * kRadPerDeg;
    return {std::cos(lat) * std::sin(lon), -std::sin(lat), std::cos(lat) * std::cos(lon)};
}

}  // namespace broadloom::testing
