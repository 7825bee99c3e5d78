# Exactness of the block renderer against the whole canvas, and accuracy against outside references.
add_library(bl_made_up STATIC support/memory_frames.cpp support/made_up_canvases.cpp
  support/whole_canvas.cpp)
target_include_directories(bl_made_up PUBLIC ${PROJECT_SOURCE_DIR}/tests)
target_link_libraries(bl_made_up PUBLIC bl_canvas bl_image bl_scene)

broadloom_test(block_exactness_test unit/block_exactness_test.cpp LINK bl_made_up bl_blend)
# What light does at seams, on frames painted from a world that is known.
add_library(bl_painted STATIC support/painted_frames.cpp)
target_link_libraries(bl_painted PUBLIC bl_made_up bl_blend)
broadloom_test(highlights_test unit/highlights_test.cpp LINK bl_painted)
broadloom_test(levels_test unit/levels_test.cpp LINK bl_painted)
broadloom_test(blend_space_test unit/blend_space_test.cpp LINK bl_shoot bl_blend)
broadloom_test(cell_map_test unit/cell_map_test.cpp LINK bl_made_up bl_blend)
broadloom_test(masks_test unit/masks_test.cpp LINK bl_made_up bl_blend)
broadloom_test(mask_gaps_test unit/mask_gaps_test.cpp LINK bl_made_up)
broadloom_test(crop_test unit/crop_test.cpp LINK bl_made_up)
broadloom_test(inner_crop_test unit/inner_crop_test.cpp LINK bl_made_up)
broadloom_test(seam_labels_test unit/seam_labels_test.cpp LINK bl_made_up bl_blend)

# OpenCV's multiband blender, in this test only; Debian's package brings no CMake file for the module.
find_path(OPENCV_STITCHING_INCLUDE_DIR opencv2/stitching/detail/blenders.hpp
  PATH_SUFFIXES opencv4 REQUIRED)
find_library(OPENCV_STITCHING_LIBRARY opencv_stitching REQUIRED)
find_library(OPENCV_IMGPROC_LIBRARY opencv_imgproc REQUIRED)
find_library(OPENCV_CORE_LIBRARY opencv_core REQUIRED)
broadloom_test(opencv_blend_test unit/opencv_blend_test.cpp LINK bl_shoot bl_blend
  ${OPENCV_STITCHING_LIBRARY} ${OPENCV_IMGPROC_LIBRARY} ${OPENCV_CORE_LIBRARY})
# As a system folder: OpenCV's headers are not clean under our warnings.
target_include_directories(opencv_blend_test SYSTEM PRIVATE ${OPENCV_STITCHING_INCLUDE_DIR})

add_library(bl_plain_composite STATIC support/plain_composite.cpp)
target_link_libraries(bl_plain_composite PUBLIC bl_shoot)
broadloom_test(accuracy_test pipeline/accuracy_test.cpp
  LINK bl_plain_composite bl_made_up bl_shoot bl_render)
set_tests_properties(accuracy_test PROPERTIES TIMEOUT 900)
broadloom_test(same_bytes_test pipeline/same_bytes_test.cpp LINK bl_made_up bl_shoot bl_render)
set_tests_properties(same_bytes_test PROPERTIES TIMEOUT 900)
broadloom_test(crop_render_test pipeline/crop_render_test.cpp
  LINK bl_made_up bl_shoot bl_render PkgConfig::VIPS)
set_tests_properties(crop_render_test PROPERTIES TIMEOUT 900)
