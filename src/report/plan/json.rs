//! A plan as one line of JSON, schema `narrows.plan/1`.

use serde::Serialize;

use crate::estimate::Estimate;
use crate::plan::{BurnPlan, PicturePlan};
use crate::plan::{Expected, Note, Plan, PlanRequest, RampPlan, Spot};
use crate::report::json::{Quantity, one_line};

/// Name and version of the object's layout.
pub const SCHEMA: &str = "narrows.plan/1";

/// The plan, compact and without a line end.
pub fn plan(plan: &Plan) -> String {
    let Plan { request, spot, ramp, burn, picture, accuracy, notes } = plan;
    one_line(&Object {
        schema: SCHEMA,
        request,
        spot,
        ramp,
        burn,
        picture,
        expected: ExpectedObject::new(&accuracy.in_use, ramp),
        expected_worst: ExpectedObject::new(&accuracy.worst, ramp),
        notes,
    })
}

#[derive(Serialize)]
struct Object<'a> {
    schema: &'static str,
    request: &'a PlanRequest,
    spot: &'a Spot,
    ramp: &'a RampPlan,
    burn: &'a BurnPlan,
    picture: &'a PicturePlan,
    /// Should today's block be right.
    expected: ExpectedObject,
    /// The least sure place of the search range.
    expected_worst: ExpectedObject,
    notes: &'a [Note],
}

#[derive(Serialize)]
struct ExpectedObject {
    spacer_mm: Quantity,
    position_mm: Quantity,
    scatter_u_mm: f64,
    model_u_mm: f64,
    datum_u_mm: f64,
    picture_height_u_mm: f64,
}

impl ExpectedObject {
    fn new(expected: &Expected, ramp: &RampPlan) -> Self {
        let quantity = |estimate: &Estimate| Quantity::from(estimate);
        Self {
            spacer_mm: quantity(&expected.spacer_mm),
            position_mm: quantity(&expected.position_mm),
            scatter_u_mm: expected.scatter_u_mm,
            model_u_mm: expected.model_u_mm,
            datum_u_mm: expected.datum_u_mm,
            picture_height_u_mm: expected.picture_height_u_mm(ramp),
        }
    }
}
